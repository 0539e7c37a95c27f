"""What a keeper says of a tap in the set-up, and what a new tap is called."""

from __future__ import annotations

import math
from dataclasses import dataclass

from cartridges.models import Disinfectant, Source, SourceReading
from hobbyhydro.households.models import Household

NOT_KNOWN = "Disinfectant not known: taken as chloramine."


@dataclass(frozen=True, slots=True)
class Water:
    """What was said of the tap. ``source`` stands for a tap that is known already."""

    source: Source | None = None
    disinfectant: str = Disinfectant.CHLORAMINE
    known: bool = True
    origin: str = SourceReading.Origin.TYPICAL
    free_mg_l: float | None = None
    total_mg_l: float | None = None
    temperature_c: float = 15.0
    ph: float = 7.8
    turbidity_ntu: float = 0.5

    @property
    def remark(self) -> str:
        return "" if self.known else NOT_KNOWN

    def told(self) -> dict[str, float | None]:
        """Temperature, pH and turbidity where a test or a report told them, else None.

        A figure that is left as it was filled in is only the typical one: it stands with the
        source, as stated, and not with the test.
        """
        usual = Source()
        found: dict[str, float | None] = {}
        for name in ("temperature_c", "ph", "turbidity_ntu"):
            value: float = getattr(self, name)
            is_usual = math.isclose(value, getattr(usual, name), rel_tol=1e-6)
            is_typical = is_usual or self.origin == SourceReading.Origin.TYPICAL
            found[name] = None if is_typical else value
        return found


def is_clock_asked(household: Household) -> bool:
    """Whether the household's clock was never set, and it has no train yet that is set up."""
    has_one = household.trains.filter(set_up_at__isnull=False).exists()
    return household.time_zone == "UTC" and not has_one


def free_name(household: Household) -> str:
    """A name that no other tap of the household has: “Tap water”, “Tap water 2” and so on."""
    taken = {name.casefold() for name in household.sources.values_list("name", flat=True)}
    first: str = Source().name
    names = (first if k == 1 else f"{first} {k}" for k in range(1, len(taken) + 2))
    return next(name for name in names if name.casefold() not in taken)
