"""The chores that a train starts with. Each can be changed, paused and removed.

How often they come is common practice, no source: often enough to see a change before it matters.
"""

from __future__ import annotations

from dataclasses import dataclass

from schedule.models import Chore
from schedule.services import recurrence

FLUSH = "flush-new-carbon"
TESTS = frozenset({"test-weekly", "test-last-tenth", "test-switch"})
"""Three rhythms of one test: on any day it is asked for once."""


@dataclass(frozen=True, slots=True)
class Starter:
    """One chore. ``every`` is a plain choice of ``recurrence`` where it goes by the calendar.

    ``first_in_days`` is when it first comes after the train was set up. ``carbons`` is how many
    carbon stages the train needs for it to make sense; ``alone`` is the title with one of them.
    """

    key: str
    title: str
    how: str
    occasion: str = Chore.Occasion.INTERVAL
    every: str = ""
    first_in_days: int = 0
    log_kind: str = ""
    metered: bool = False
    carbons: int = 0
    alone: str = ""

    def suits(self, *, carbons: int, metered: bool) -> bool:
        return carbons >= self.carbons and (metered or not self.metered)

    def title_for(self, *, carbons: int) -> str:
        return self.alone if self.alone and carbons < 2 else self.title


_TEST = (
    "Take the water behind the first carbon and test it for total chlorine. What passes the first "
    "carbon is still held by the second, so this test warns before anything reaches an animal."
)
_BEHIND = "Test the water behind the carbon"

STARTERS: tuple[Starter, ...] = (
    Starter(
        key="test-weekly",
        title="Test between the carbon stages",
        alone=_BEHIND,
        how=_TEST,
        every=recurrence.EVERY_WEEK,
        first_in_days=1,
        log_kind="outlet-test",
        carbons=1,
    ),
    Starter(
        key="test-last-tenth",
        title="Test between the carbon stages: the first carbon is nearly spent",
        alone=f"{_BEHIND}: it is nearly spent",
        how=_TEST,
        occasion=Chore.Occasion.LAST_TENTH,
        log_kind="outlet-test",
        carbons=1,
    ),
    Starter(
        key="test-switch",
        title="Test between the carbon stages: the utility has switched disinfectant",
        alone=f"{_BEHIND}: the utility has switched disinfectant",
        how=_TEST + " Carbon that copes with one disinfectant may not cope with the other.",
        occasion=Chore.Occasion.SWITCH,
        log_kind="outlet-test",
        carbons=1,
    ),
    Starter(
        key="meter",
        title="Read the meter",
        how="Write down what the meter shows. It tells how much water the cartridges have had.",
        every=recurrence.EVERY_WEEK,
        first_in_days=7,
        log_kind="meter-reading",
        metered=True,
    ),
    Starter(
        key="lines",
        title="Measure each line with a cup",
        how=(
            "Hold a measuring cup under each drip line for the same number of minutes and compare. "
            "A line far below the others is clogging; one far above has lost its emitter. Caught "
            "from all lines together, it is a bucket test of the train."
        ),
        every=recurrence.EVERY_MONTH,
        first_in_days=14,
    ),
    Starter(
        key="drain",
        title="Check the drain and the leak stop",
        how=(
            "Pour a jug of water into the drain and see it go. Wet the leak stop’s sensor and see "
            "the water shut off. See that there is still an air gap above every tank."
        ),
        every=recurrence.EVERY_MONTH,
        first_in_days=14,
    ),
    Starter(
        key="screen",
        title="Clean the restrictor’s screen",
        how=(
            "Shut the water off and relieve the pressure. Take the screen out, rinse it against "
            "the flow, and look for grit. Log the shut-off if it takes more than a few minutes."
        ),
        every=recurrence.EVERY_3_MONTHS,
        first_in_days=90,
    ),
    Starter(
        key="housings",
        title="Sanitise the housings and replace their O-rings",
        how=(
            "With the water off and the pressure relieved, wash each opened housing, sanitise it "
            "as its maker says, and rinse it well. Fit a new O-ring with food-grade silicone "
            "grease. Rinse until nothing of the sanitiser is left before water goes to a tank."
        ),
        occasion=Chore.Occasion.SWAP,
    ),
    Starter(
        key=FLUSH,
        title="Flush the new carbon to waste",
        how=(
            "Let the volume that the package gives run to waste before water goes to a tank. The "
            "first water carries carbon dust and can shift the pH."
        ),
        occasion=Chore.Occasion.SWAP,
        carbons=1,
    ),
)
