"""The ensemble: members drawn from what is uncertain, their weights, and what they say together.

Each member is a vector of independent standard normals, one per uncertain factor, from a scrambled
Sobol sequence with a fixed seed: the same data give the same answer. Outlet tests weigh the
members; when few of them carry the weight, new ones are drawn near those (a mixture of a share of
the prior and Gaussian kernels), and prior/proposal in the weight keeps the answer exact.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri
from scipy.stats import qmc

from .arrays import FloatArray

PRIOR_SHARE = 0.25
KERNELS = 256
REPLICATES = 8


def log_sd(cv: ArrayLike) -> FloatArray:
    """Standard deviation of ln X of a lognormal X with coefficient of variation cv >= 0."""
    return np.sqrt(np.log1p(np.square(np.asarray(cv, dtype=np.float64))))


def sobol_uniforms(*, members: int, dims: int, seed: int) -> FloatArray:
    """Scrambled Sobol points in (0, 1), shape (members, dims); members >= 1, dims >= 1."""
    if members < 1 or dims < 1:
        raise ValueError("an ensemble needs at least one member and one dimension")
    sequence = qmc.Sobol(d=dims, scramble=True, rng=np.random.default_rng(seed))
    points = sequence.random_base2(max(0, math.ceil(math.log2(members))))[:members]
    tiny = 2.0**-40
    return np.clip(points, tiny, 1.0 - tiny)


@dataclass(frozen=True, slots=True, eq=False)
class Members:
    """Members as standard normals z, shape (members, factors), with the log of their weights.

    names: the factors, one per column. log_weight: shape (members,), any constant added.
    """

    names: tuple[str, ...]
    z: FloatArray
    log_weight: FloatArray

    def __len__(self) -> int:
        return len(self.z)

    def normal(self, name: str) -> FloatArray:
        """The standard normals of one factor, shape (members,); an unknown name is a KeyError."""
        if name not in self.names:
            raise KeyError(name)
        return np.ascontiguousarray(self.z[:, self.names.index(name)])

    def lognormal(self, name: str, *, cv: float) -> FloatArray:
        """A factor of median 1 and coefficient of variation cv, shape (members,)."""
        return np.exp(float(log_sd(cv)) * self.normal(name))

    def uniform(self, name: str, *, low: float, high: float) -> FloatArray:
        """A factor uniform between low and high, shape (members,)."""
        return low + (high - low) * ndtr(self.normal(name))


def prior_members(*, names: tuple[str, ...], members: int, seed: int) -> Members:
    """Members drawn from the prior, all of equal weight."""
    z = ndtri(sobol_uniforms(members=members, dims=max(1, len(names)), seed=seed))
    return Members(names, np.ascontiguousarray(z), np.zeros(members))


def weights(log_weight: FloatArray) -> FloatArray:
    """exp(log_weight) scaled to sum to 1; all -inf or any NaN raises ValueError."""
    top = log_weight.max()
    if not np.isfinite(top):
        raise ValueError("no member carries any weight")
    scaled = np.exp(log_weight - top)
    return np.asarray(scaled / scaled.sum())


def effective_members(weight: FloatArray) -> float:
    """Kish's effective sample size, (sum w)^2 / sum w^2."""
    return float(weight.sum() ** 2 / np.square(weight).sum())


def weighted_quantiles(
    values: FloatArray, weight: FloatArray, shares: ArrayLike
) -> FloatArray:
    """Weighted quantiles along the last axis.

    values: (..., n), inf allowed, NaN gives NaN; weight: (n,), not negative, some positive;
    shares: (q,) in [0, 1]. Returns (..., q): the value at which the weight below, counting half of
    a member's own, reaches the share, linear between members; where a neighbour is infinite, the
    nearer of the two.
    """
    shares_1d = np.atleast_1d(np.asarray(shares, dtype=np.float64))
    flat = values.reshape(-1, values.shape[-1])
    order = np.argsort(flat, axis=1)
    result = np.empty((len(flat), len(shares_1d)))
    for row, (line, rank) in enumerate(zip(flat, order, strict=True)):
        ranked, own = line[rank], weight[rank]
        if np.isnan(ranked[-1]):
            result[row] = np.nan
            continue
        kept = own > 0
        ranked, own = ranked[kept], own[kept]
        below = (np.cumsum(own) - 0.5 * own) / own.sum()
        upper = np.clip(np.searchsorted(below, shares_1d), 1, len(below) - 1) if len(own) > 1 else 0
        lower = np.maximum(np.asarray(upper) - 1, 0)
        gap = np.where(below[upper] > below[lower], below[upper] - below[lower], 1.0)
        share = np.clip((shares_1d - below[lower]) / gap, 0.0, 1.0)
        low, high = ranked[lower], ranked[upper]
        with np.errstate(invalid="ignore"):
            between = low + share * (high - low)
        result[row] = np.where(np.isfinite(high), between, np.where(share < 0.5, low, high))
    return result.reshape(*values.shape[:-1], len(shares_1d))


def replicate_spread(values: FloatArray, weight: FloatArray, *, blocks: int = REPLICATES) -> float:
    """Relative standard deviation of the weighted median among interleaved blocks of members.

    values, weight: (n,). Block i holds members i, i + blocks, ... A block without weight, or a
    median that is infinite in some blocks only, gives inf; infinite or 0 in all of them gives 0.
    """
    medians = []
    for block in range(blocks):
        own = weight[block::blocks]
        if own.sum() <= 0.0:
            return math.inf
        medians.append(weighted_quantiles(values[block::blocks], own, 0.5)[0])
    found = np.array(medians)
    if np.isinf(found).all() or (found == 0.0).all():
        return 0.0
    if np.isinf(found).any():
        return math.inf
    return float(found.std(ddof=1) / found.mean())


def two_humped(values: FloatArray, weight: FloatArray) -> bool:
    """Whether positive values fall into two groups on a logarithmic scale.

    True where the smoothed density of ln(values) has two peaks, the valley between them is below
    half of the lower peak, and the smaller side holds at least a tenth of the weight. Smoothing:
    Gaussian, Silverman's bandwidth. values: (n,), below 0.5 counted as 0.5; inf must be capped by
    the caller.
    """
    x = np.log(np.maximum(values, 0.5))
    mean = float((weight * x).sum() / weight.sum())
    sd = math.sqrt(float((weight * (x - mean) ** 2).sum() / weight.sum()))
    if sd < 1e-9:
        return False
    width = 0.9 * sd * effective_members(weight) ** -0.2
    edges = np.linspace(x.min() - 3 * width, x.max() + 3 * width, 257)
    mass, _ = np.histogram(x, bins=edges, weights=weight / weight.sum())
    reach = np.arange(-128, 129) * (edges[1] - edges[0]) / width
    density = np.convolve(mass, np.exp(-0.5 * reach**2), mode="same")
    inner = np.flatnonzero((density[1:-1] >= density[:-2]) & (density[1:-1] > density[2:])) + 1
    for first, second in zip(inner[:-1], inner[1:], strict=True):
        valley = first + int(np.argmin(density[first : second + 1]))
        side = float(mass[:valley].sum())
        lower_peak = min(density[: valley + 1].max(), density[valley:].max())
        if density[valley] < 0.5 * lower_peak and 0.1 <= side <= 0.9:
            return True
    return False


def redraw(members: Members, *, count: int, seed: int) -> Members:
    """New members near those that carry the weight, with the weights prior/proposal.

    Proposal: PRIOR_SHARE of the prior and, for the rest, Gaussian kernels around members
    resampled by weight, drawn towards their mean so that mixture and members share a covariance
    (West 1993, J. R. Stat. Soc. B 55:409). Few effective members widen it towards the prior. The
    likelihood is for the caller to add.
    """
    weight = weights(members.log_weight)
    dims = members.z.shape[1]
    size = effective_members(weight)
    mean = weight @ members.z
    offset = members.z - mean
    covariance = (offset * weight[:, None]).T @ offset
    covariance = (size * covariance + dims * np.eye(dims)) / (size + dims)
    width = min(1.0, (4.0 / ((dims + 2.0) * size)) ** (1.0 / (dims + 4.0)))
    marks = (np.arange(KERNELS) + 0.5) / KERNELS
    picked = np.minimum(np.searchsorted(np.cumsum(weight), marks), len(weight) - 1)
    centre = mean + math.sqrt(1.0 - width**2) * offset[picked]
    root = width * np.linalg.cholesky(covariance)

    points = sobol_uniforms(members=count, dims=dims + 1, seed=seed)
    z = ndtri(points[:, 1:])
    choice = (points[:, 0] - PRIOR_SHARE) / (1.0 - PRIOR_SHARE)
    near = choice >= 0.0
    chosen = centre[np.minimum((choice[near] * KERNELS).astype(np.intp), KERNELS - 1)]
    z[near] = chosen + z[near] @ root.T

    log_prior = -0.5 * np.square(z).sum(axis=1)
    log_kernels = _log_mixture(z, centre, root)
    log_proposal = np.logaddexp(
        math.log(PRIOR_SHARE) + log_prior, math.log1p(-PRIOR_SHARE) + log_kernels
    )
    return Members(members.names, np.ascontiguousarray(z), log_prior - log_proposal)


def _log_mixture(z: FloatArray, centre: FloatArray, root: FloatArray) -> FloatArray:
    """ln of the mean of Gaussian kernels at z, up to the prior's own constant, shape (n,)."""
    whiten = np.linalg.inv(root).T
    where, middle = z @ whiten, centre @ whiten
    half_square = 0.5 * np.square(middle).sum(axis=1)
    result = np.empty(len(z))
    for start in range(0, len(z), 2048):
        part = where[start : start + 2048]
        exponent = part @ middle.T - half_square
        top = exponent.max(axis=1)
        total = np.exp(exponent - top[:, None]).mean(axis=1)
        result[start : start + 2048] = top + np.log(total) - 0.5 * np.square(part).sum(axis=1)
    return result - float(np.log(np.diag(root)).sum())
