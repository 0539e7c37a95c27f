"""What the pages are told of a train: which of its tests counts."""

from __future__ import annotations

import pytest
from django.utils import timezone

from cartridges.models import CartridgeSpec, OutletTest, Train
from cartridges.services import acts, advice, stages
from cartridges.services.overview import look_at
from hobbyhydro.households.models import User

from .by_hand import ago
from .estimate_rows import estimate_train

Shown = tuple[str, float, bool]  # species, mg/L, below


def log_behind_the_last(train: Train, by: User, *shown: Shown) -> None:
    """One test after the other, an hour apart, the last an hour ago."""
    stage = train.stages.get(position=3)
    for hours, (species, value_mg_l, below) in zip(range(len(shown), 0, -1), shown, strict=True):
        test = OutletTest(
            train=train,
            stage=stage,
            at=ago(hours=hours),
            species=species,
            value_mg_l=value_mg_l,
            below=below,
        )
        acts.log(test, by=by)


@pytest.mark.parametrize(
    ("shown", "counts", "state"),
    [
        # Free chlorine is a part of the total, so none of it says nothing of the rest.
        ([("total", 0.5, False), ("free", 0.1, True)], 0, "now"),
        ([("total", 0.5, False), ("free", 0.05, False)], 0, "now"),
        ([("total", 0.1, True), ("free", 0.4, False)], 1, "now"),
        ([("total", 0.5, False), ("total", 0.1, True)], 1, "ok"),
        ([("free", 0.5, False), ("free", 0.1, True)], 1, "ok"),
        ([("free", 0.5, False), ("total", 0.1, True)], 1, "ok"),
    ],
)
def test_the_test_that_says_most_counts(
    train: Train, keeper: User, shown: list[Shown], counts: int, state: str
) -> None:
    log_behind_the_last(train, keeper, *shown)
    [now] = look_at([estimate_train(train)])
    test = now.stages[2].test
    assert test is not None
    assert (test.species, test.value_mg_l, test.below) == shown[counts]
    assert advice.verdict(now).state == state


def test_a_test_of_the_cartridge_before_does_not_count(train: Train, keeper: User) -> None:
    """Nor does it hide one of the cartridge that is there now."""
    log_behind_the_last(train, keeper, ("total", 0.5, False), ("free", 0.1, True))
    estimate_train(train)
    between = ago(hours=1.5)
    train.estimates.filter(stage__position=3).update(fitted_at=between)
    [now] = look_at([train])
    assert now.stages[2].test is not None
    assert now.stages[2].test.species == "free"
    train.estimates.filter(stage__position=3).update(fitted_at=timezone.now())
    [now] = look_at([train])
    assert now.stages[2].test is None


def test_a_free_test_behind_another_stage_clears_no_total_either(
    train: Train, keeper: User
) -> None:
    log_behind_the_last(train, keeper, ("total", 0.5, False), ("total", 0.5, False))
    polish = stages.add(train, kind="other", housing="other", position=4)
    spec = CartridgeSpec.objects.create(household=train.household, name="Mesh", kind="other")
    [mesh] = acts.buy(household=train.household, spec=spec)
    acts.swap(stage=polish, cartridge=mesh, at=ago(hours=2), by=keeper)
    later = OutletTest(
        train=train, stage=polish, at=ago(minutes=5), species="free", value_mg_l=0.1, below=True
    )
    acts.log(later, by=keeper)
    estimate_train(train)
    train.estimates.filter(stage=polish).update(fitted_at=ago(hours=2))
    [now] = look_at([train])
    assert now.stages[3].test == later
    assert advice.verdict(now).word == "Above your limit"
    assert "0.50" in advice.verdict(now).sentence
