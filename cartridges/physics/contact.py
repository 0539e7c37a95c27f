"""Empty-bed contact time and how much of it practice asks for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike

from .arrays import FloatArray
from .units import MIN_PER_DAY

Disinfectant = Literal["free_chlorine", "chloramine"]


@dataclass(frozen=True, slots=True)
class Guidance:
    """Contact time asked for: minutes in each bed, minutes in all beds, and who says so."""

    per_bed_min: float
    in_all_min: float
    source: str


_GUIDANCE: Final[dict[str, Guidance]] = {
    "chloramine": Guidance(
        per_bed_min=5.0,
        in_all_min=10.0,
        source="two-bed practice of dialysis water treatment",
    ),
    "free_chlorine": Guidance(
        per_bed_min=2.0,
        in_all_min=2.0,
        source="common practice, no source",
    ),
}


def contact_guidance(disinfectant: str) -> Guidance:
    """The contact time that practice asks for with "chloramine" or "free_chlorine".

    Chloramine: 5 min in each bed and 10 min in all, the practice of dialysis water treatment.
    Free chlorine: 2 min, common practice, no source: free chlorine reacts much faster, so this
    is a cautious figure rather than a limit. Any other word raises ValueError.
    """
    try:
        return _GUIDANCE[disinfectant]
    except KeyError:
        known = ", ".join(sorted(_GUIDANCE))
        raise ValueError(f"disinfectant must be one of {known}, not {disinfectant!r}") from None


def empty_bed_contact_min(*, bed_volume_l: ArrayLike, flow_l_day: ArrayLike) -> FloatArray:
    """Empty-bed contact time, bed volume over flow, minutes.

    bed_volume_l: litres of bed, grains and voids together. flow_l_day: L/day. The arguments
    broadcast. No flow gives inf. A negative value, NaN, or an empty bed without flow gives NaN.
    Source: the definition (Thomas & Crittenden 1998, Adsorption Technology and Design).
    """
    volume = np.asarray(bed_volume_l, dtype=np.float64)
    flow = np.asarray(flow_l_day, dtype=np.float64)
    valid = (volume >= 0) & (flow >= 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        minutes = np.where(valid, volume, np.nan) / flow * MIN_PER_DAY
    return np.asarray(minutes)


def bed_volume_for_contact_l(*, contact_min: ArrayLike, flow_l_day: ArrayLike) -> FloatArray:
    """Litres of bed that give `contact_min` minutes of empty-bed contact at `flow_l_day`.

    The arguments broadcast. A negative value or NaN gives NaN.
    Source: the definition, as in `empty_bed_contact_min`.
    """
    contact = np.asarray(contact_min, dtype=np.float64)
    flow = np.asarray(flow_l_day, dtype=np.float64)
    valid = (contact >= 0) & (flow >= 0)
    return np.asarray(np.where(valid, contact, np.nan) * flow / MIN_PER_DAY)
