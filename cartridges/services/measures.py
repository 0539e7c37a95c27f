"""Two measures of a cartridge beside its days: the package's life, and contact time.

Pure reading of what the last calculation left behind: no query, no model.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from cartridges.models import Estimate

from .overview import StageNow, TrainNow


@dataclass(frozen=True, slots=True)
class Lives:
    """The package's life beside the animal-safe life of one cartridge."""

    label_at: dt.datetime | None
    safe_at: dt.datetime | None
    label_volume_l: float

    @property
    def limit_first(self) -> bool:
        """Whether the safe limit is reached before the package's volume has passed."""
        if self.safe_at is None:
            return False
        return self.label_at is None or self.safe_at < self.label_at

    @property
    def words(self) -> str:
        """Which of the two comes first; the label's volume is a claim about taste."""
        if self.limit_first:
            return "your limit comes first"
        return "the package’s volume comes first" if self.label_at else "neither within ten years"


def lives(estimate: Estimate | None) -> Lives | None:
    """Both lives of a cartridge that claims a volume; None where the package claims none."""
    if estimate is None or estimate.label_volume_l is None:
        return None
    return Lives(estimate.label_at, estimate.safe_at, estimate.label_volume_l)


@dataclass(frozen=True, slots=True)
class Contact:
    """Minutes in one bed, or in all, beside what practice asks for."""

    minutes: float | None
    asked_min: float

    @property
    def state(self) -> str:
        if self.minutes is None:
            return "unknown"
        return "ok" if self.minutes >= self.asked_min else "soon"

    @property
    def word(self) -> str:
        return {"ok": "enough", "soon": "short", "unknown": "not known"}[self.state]


def contact_of(now: TrainNow, stage: StageNow) -> Contact | None:
    """Contact time of one carbon bed against the guidance for this tap's disinfectant."""
    asked = now.summary.get("guidance_per_bed_min")
    if stage.estimate is None or not stage.stage.is_carbon or asked is None:
        return None
    return Contact(stage.estimate.contact_min, float(asked))


def contact_in_all(now: TrainNow) -> Contact | None:
    asked = now.summary.get("guidance_in_all_min")
    if asked is None or not now.carbon:
        return None
    return Contact(now.summary.get("contact_in_all_min"), float(asked))


def in_mg(value: float | None) -> str:
    """A predicted concentration; below what any home kit reads it is only called that."""
    if value is None:
        return "not known"
    return "below 0.01\u00a0mg/L" if value < 0.01 else f"{value:.2f}\u00a0mg/L"
