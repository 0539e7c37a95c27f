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
KERNEL_WIDTH = 1.2
"""Times Silverman's width: a little wider wastes few members and keeps heavy weights away."""
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


def weighted_quantiles(values: FloatArray, weight: FloatArray, shares: ArrayLike) -> FloatArray:
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
    """How far the weighted median differs between blocks of members: a relative sd.

    values, weight: (n,). Each block is a run of consecutive members, which of a Sobol sequence is
    itself evenly spread (every eighth member would all come from one corner of the first factor).
    The standard deviation of the blocks' medians is divided by the median or half the P10-P90 band,
    whichever is larger. A block without weight, or a median that is infinite in some blocks only,
    gives inf; infinite or 0 in all of them gives 0.
    """
    edges = np.linspace(0, len(values), blocks + 1).astype(np.intp)
    medians = []
    for start, end in zip(edges[:-1], edges[1:], strict=True):
        own = weight[start:end]
        if not own.sum() > 0.0:
            return math.inf
        medians.append(weighted_quantiles(values[start:end], own, 0.5)[0])
    found = np.array(medians)
    if np.isinf(found).all() or (found == 0.0).all():
        return 0.0
    if np.isinf(found).any():
        return math.inf
    low, middle, high = weighted_quantiles(values, weight, (0.1, 0.5, 0.9))
    scale = max(middle, 0.5 * (high - low)) if np.isfinite(high) else middle
    return float(found.std(ddof=1) / scale) if scale > 0.0 else math.inf


def two_humped(values: FloatArray, weight: FloatArray) -> bool:
    """Whether the finite values fall into two groups.

    True where the smoothed density has two peaks, the valley between them is below half of the
    lower peak, and each side of the valley holds at least a tenth of the weight. Smoothing:
    Gaussian, Silverman's bandwidth. values, weight: (n,); infinite values are left out.
    """
    kept = np.isfinite(values) & (weight > 0.0)
    if not kept.any():
        return False
    x, own = values[kept], weight[kept] / weight[kept].sum()
    mean = float(own @ x)
    sd = math.sqrt(float(own @ (x - mean) ** 2))
    if sd < 1e-9 * (1.0 + abs(mean)):
        return False
    low, high = weighted_quantiles(x, own, (0.25, 0.75))
    scale = min(sd, (high - low) / 1.34) if high > low else sd
    width = 0.9 * scale * effective_members(own) ** -0.2
    cell = width / 4.0
    cells = int(min(8192.0, (x.max() - x.min()) / cell + 26.0))
    edges = x.min() - 13.0 * cell + cell * np.arange(cells + 1)
    mass, _ = np.histogram(np.minimum(x, edges[-1]), bins=edges, weights=own)
    density = np.convolve(mass, np.exp(-0.5 * (np.arange(-12, 13) / 4.0) ** 2), mode="same")
    inner = np.flatnonzero((density[1:-1] >= density[:-2]) & (density[1:-1] > density[2:])) + 1
    for first, second in zip(inner[:-1], inner[1:], strict=True):
        valley = first + int(np.argmin(density[first : second + 1]))
        side = float(mass[:valley].sum())
        lower_peak = min(density[: valley + 1].max(), density[valley:].max())
        if density[valley] < 0.5 * lower_peak and 0.1 <= side <= 0.9:
            return True
    return False


def _tempered(log_weight: FloatArray) -> FloatArray:
    """Weights to draw from: raised to the highest power, at most 1, that leaves enough members.

    Enough is 128, or an eighth of them if that is fewer. It only shapes where new members are
    drawn, not their weights.
    """
    enough = min(128.0, len(log_weight) / 8.0)
    full = weights(log_weight)
    if effective_members(full) >= enough:
        return full
    finite = np.isfinite(log_weight)
    usable = np.where(finite, log_weight, 0.0)
    low, high = 0.0, 1.0
    for _ in range(30):
        power = 0.5 * (low + high)
        tempered = weights(np.where(finite, power * usable, -np.inf))
        low, high = (power, high) if effective_members(tempered) >= enough else (low, power)
    return weights(np.where(finite, low * usable, -np.inf))


def redraw(members: Members, *, told: tuple[str, ...], count: int, seed: int) -> Members:
    """New members near those that carry the weight, with the weights prior/proposal.

    Proposal: PRIOR_SHARE of the prior and, for the rest, Gaussian kernels around members
    resampled by weight, drawn towards their mean so that mixture and members share a covariance
    (West 1993, J. R. Stat. Soc. B 55:409). Few effective members flatten the weights used for
    resampling and widen the kernels towards the prior. told: the factors that the tests say
    anything of; the others are drawn from the prior. The likelihood is for the caller to add.
    """
    weight = _tempered(members.log_weight)
    columns = [members.names.index(name) for name in told]
    dims = len(columns)
    known = members.z[:, columns]
    size = effective_members(weight)
    mean = weight @ known
    offset = known - mean
    covariance = (offset * weight[:, None]).T @ offset
    covariance = (size * covariance + dims * np.eye(dims)) / (size + dims)
    width = min(1.0, KERNEL_WIDTH * (4.0 / ((dims + 2.0) * size)) ** (1.0 / (dims + 4.0)))
    marks = (np.arange(KERNELS) + 0.5) / KERNELS
    picked = np.minimum(np.searchsorted(np.cumsum(weight), marks), len(weight) - 1)
    centre = mean + math.sqrt(1.0 - width**2) * offset[picked]
    root = width * np.linalg.cholesky(covariance)

    points = sobol_uniforms(members=count, dims=members.z.shape[1] + 1, seed=seed)
    drawn = ndtri(points[:, 1:])
    z = drawn[:, columns]
    choice = (points[:, 0] - PRIOR_SHARE) / (1.0 - PRIOR_SHARE)
    near = choice >= 0.0
    chosen = centre[np.minimum((choice[near] * KERNELS).astype(np.intp), KERNELS - 1)]
    z[near] = chosen + z[near] @ root.T

    log_prior = -0.5 * np.square(z).sum(axis=1)
    log_kernels = _log_mixture(z, centre, root)
    log_proposal = np.logaddexp(
        math.log(PRIOR_SHARE) + log_prior, math.log1p(-PRIOR_SHARE) + log_kernels
    )
    drawn[:, columns] = z
    return Members(members.names, np.ascontiguousarray(drawn), log_prior - log_proposal)


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
