"""The renewals that a train asks for, from the beds as they are today to a horizon.

The ensemble that estimates the train today is taken into the future. At each step the next
planning day is found: the day by which TrainInputs.plan_share of the members have reached a cause
that ends a cartridge. All members are advanced to it exactly (see `bed`), the cartridge is renewed
in all of them, and the search goes on from there.

lead_lag: carbons that are alike form a chain. When the water behind the first of them reaches the
limit, that one goes out, the others move forward with the wear they have, and the new one goes in
last; one that is too old by its package goes out from where it sits in the same way. same_day: all
carbon is renewed when the water behind the last of it reaches the limit, or any is too old.
A bed of which the median member could not keep the limit by itself even when new is counted at the
last one, as in the estimate. A member that could not keep it where it counts even when new asks for
nothing as long as that water lasts: renewing does not help it. Where that is so in most members the
train cannot hold its limit, and the age and the volume on the package ask instead.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from .arrays import BoolArray, FloatArray
from .plan_data import POLICIES, Policy, Renewal, Renewals, Visit
from .plan_train import Fitted, Group, PlannedTrain, groups_of
from .today import DEFAULT_SEED, Today, train_today
from .train_data import TrainInputs
from .visits import merge_visits

__all__ = [
    "POLICIES",
    "Policy",
    "Renewal",
    "Renewals",
    "Visit",
    "merge_visits",
    "simulate_policies",
    "simulate_renewals",
]

DEFAULT_MEMBERS = 1024
PLAN_DAYS = 730.0
MOST_RENEWALS = 60
"""In PLAN_DAYS, and in proportion for a longer horizon; a shorter one may have as many."""
AT_ONCE_DAYS = 1.0
"""Beds of one group that are due within so many days of each other are renewed at one moment."""


def simulate_renewals(
    inputs: TrainInputs,
    *,
    now_day: float,
    policy: Policy,
    horizon_days: float = PLAN_DAYS,
    members: int = DEFAULT_MEMBERS,
    seed: int = DEFAULT_SEED,
) -> Renewals:
    """All renewals from now to before now_day + horizon_days under a policy.

    What is overdue is renewed today. The same inputs and seed give the same answer. members: 1,024
    leave the tenth percentile a sampling error of about 4 %; with the members of the estimate the
    first day of a cartridge that nothing else touches is its planned day there to the last digit.

    Raises what `estimate_train` raises, and ValueError for an unknown policy or a horizon that is
    not a number above zero.
    """
    return simulate_policies(
        inputs,
        now_day=now_day,
        policies=(policy,),
        horizon_days=horizon_days,
        members=members,
        seed=seed,
    )[policy]


def simulate_policies(
    inputs: TrainInputs,
    *,
    now_day: float,
    policies: Sequence[Policy] = POLICIES,
    horizon_days: float = PLAN_DAYS,
    members: int = DEFAULT_MEMBERS,
    seed: int = DEFAULT_SEED,
) -> dict[Policy, Renewals]:
    """What `simulate_renewals` gives under each policy, with the past run only once."""
    for policy in policies:
        if policy not in POLICIES:
            raise ValueError(f"a policy is one of {', '.join(POLICIES)}, not {policy}")
    if not (math.isfinite(horizon_days) and horizon_days > 0.0):
        raise ValueError("the horizon must be a number above zero")
    today = train_today(
        inputs, now_day=now_day, horizon_days=horizon_days, members=members, seed=seed
    )
    return {policy: _planned(today, policy, horizon_days) for policy in policies}


def _planned(today: Today, policy: Policy, horizon_days: float) -> Renewals:
    now_day = today.now_day
    most = math.ceil(MOST_RENEWALS * max(1.0, horizon_days / PLAN_DAYS))
    train = PlannedTrain(today)
    found = []
    for stage, fitted in train.others:
        found += _first(_simple_renewals(train, stage, fitted, horizon_days), most)
    beds = _BedPlan(train, policy, horizon_days)
    found += _first(beds.renewals(), most)
    found.sort(key=lambda one: (one.day, one.stage))
    until = now_day + horizon_days
    if len(found) > most:
        until = found[most].day
        found = [one for one in found if one.day < until]
    return Renewals(
        renewals=tuple(found),
        litres=today.inputs.future_flow_l_day * horizon_days,
        unheld=tuple((now_day + start, now_day + end) for start, end in beds.unheld),
        until_day=until,
    )


def _first(renewals: Iterator[Renewal], most: int) -> list[Renewal]:
    """Up to one more than `most`, so that it shows when there were too many."""
    return [one for _, one in zip(range(most + 1), renewals, strict=False)]


def _simple_renewals(
    train: PlannedTrain, stage: int, fitted: Fitted, horizon_days: float
) -> Iterator[Renewal]:
    """A cartridge that takes out no chlorine, renewed by dirt, resistance, volume and age."""
    at_days = 0.0
    while True:
        by_cause = train.own_days(fitted, at_days=at_days, by_label=True)
        if not by_cause:
            return
        at_days = max(at_days, train.planned(np.min(list(by_cause.values()), axis=0)))
        if not at_days < horizon_days:
            return
        yield Renewal(
            day=train.today.now_day + at_days,
            stage=stage,
            medium_key=fitted.medium.key,
            cause=train.likeliest(by_cause, by_days=at_days),
            rotation=False,
            worn=train.left(fitted, at_days=at_days),
            replaced=fitted.key,
            life_days=at_days - fitted.fitted_days,
            group=stage,
        )
        fitted = fitted.renewed(at_days=at_days)


@dataclass(frozen=True, slots=True, eq=False)
class _Act:
    """A bed that a rule sends out: its group, its place within the group, when and why."""

    group: Group
    which: int
    due_days: float
    by_cause: dict[str, FloatArray]


@dataclass(frozen=True, slots=True, eq=False)
class _Watch:
    """The bed whose outlet counts for a group, and when it passes the limit, (members,).

    weak: members in which a new cartridge would not hold the limit now; renewing does not help
    them, so that they ask for nothing as long as this water lasts.
    """

    place: int
    weak: BoolArray
    passes_days: FloatArray

    @property
    def outlet_days(self) -> FloatArray:
        """Days from now, inf for weak members and beyond the horizon."""
        return np.where(self.weak, np.inf, self.passes_days)

    def tells(self, place: int, weak: BoolArray) -> bool:
        """Whether what it knows is all that is asked of a bed, now that these members are weak."""
        return self.place == place and not (self.weak & ~weak).any()


class _BedPlan:
    """The renewals of the beds, moment by moment."""

    def __init__(self, train: PlannedTrain, policy: Policy, horizon_days: float) -> None:
        self.train = train
        self.groups = groups_of(train, policy)
        self.horizon_days = horizon_days
        self.unheld: list[tuple[float, float]] = []
        self._watch: dict[Group, _Watch] = {}
        self._renewed_at: dict[Group, float] = {}
        self._looked_at_days = -math.inf

    def renewals(self) -> Iterator[Renewal]:
        """In time order; those of one moment and group follow each other."""
        train = self.train
        while self.groups and train.at_days < self.horizon_days:
            if self._looked_at_days != train.at_days:
                self._look()
            acts = [act for group in self.groups for act in self._acts(group)]
            act = min(acts, key=lambda one: one.due_days, default=None)
            end = train.water_changes_days()
            if act is None or not act.due_days < end:
                train.go_to(end)
            else:
                train.go_to(act.due_days)
                yield from self._renew(act)

    def _look(self) -> None:
        """Find at which bed each group's outlet counts now, and when it passes the limit.

        What was found before is kept; members that were weak and no longer are start from now.
        """
        counted = {group: self._counted(group) for group in self.groups}
        before = self._watch
        asked = [
            one[0]
            for group, one in counted.items()
            if one is not None and not ((was := before.get(group)) and was.tells(*one))
        ]
        found = self.train.exceedance_days(max(asked) + 1) if asked else np.empty((0, 0))
        self._watch = {}
        for group, one in counted.items():
            if one is None:
                self._note_unheld()
                continue
            (place, weak), was = one, before.get(group)
            if was is not None and was.tells(place, weak):
                passes = was.passes_days
            elif was is not None and was.place == place:
                passes = np.where(was.weak, found[place], was.passes_days)
            else:
                passes = found[place]
            self._watch[group] = _Watch(place, weak, passes)
        self._looked_at_days = self.train.at_days

    def _counted(self, group: Group) -> tuple[int, BoolArray] | None:
        """The bed whose outlet counts for a group now, and the members that are weak there.

        None where even a train that is all new cannot hold the limit.
        """
        train, last = self.train, len(self.train.beds) - 1
        own = group.places[-1] if group.together else group.places[0]
        weak = train.over_when_new(own, group.places if group.together else (own,))
        if not train.mostly(weak):
            return own, weak
        weak = train.over_when_new(last, tuple(range(last + 1)))
        return None if train.mostly(weak) else (last, weak)

    def _note_unheld(self) -> None:
        start, end = self.train.at_days, self.train.water_changes_days()
        if self.unheld and self.unheld[-1][1] >= start:
            start = self.unheld.pop()[0]
        self.unheld.append((start, end))

    def _acts(self, group: Group) -> Iterator[_Act]:
        """What the rule of a group asks for next, bed by bed."""
        train, watch = self.train, self._watch.get(group)
        outlet = None if watch is None else watch.outlet_days
        in_all: dict[str, FloatArray] = {}
        for which, row in enumerate(group.places):
            by_cause = train.own_days(
                train.beds[row], at_days=train.at_days, by_label=outlet is None
            )
            if outlet is not None and (group.together or which == 0):
                by_cause["outlet_limit"] = outlet
            for cause, days in by_cause.items():
                in_all[cause] = np.minimum(in_all[cause], days) if cause in in_all else days
            if not group.together:
                yield from self._act(group, which, by_cause)
        if group.together:
            yield from self._act(group, 0, in_all)

    def _act(self, group: Group, which: int, by_cause: dict[str, FloatArray]) -> Iterator[_Act]:
        if by_cause:
            due = self.train.planned(np.min(list(by_cause.values()), axis=0))
            earliest = self._renewed_at.get(group, -math.inf) + AT_ONCE_DAYS
            yield _Act(group, which, max(due, self.train.at_days, earliest), by_cause)

    def _renew(self, act: _Act) -> Iterator[Renewal]:
        """All that goes out at this moment for one act, and for what follows from it at once."""
        train, group = self.train, act.group
        before = {id(train.beds[row]): train.bed_stages[row] for row in group.places}
        self._renewed_at.pop(group, None)
        gone: list[tuple[int, Renewal]] = []
        more: _Act | None = act
        while more is not None:
            going = range(len(group.places)) if group.together else [more.which]
            for which in going:
                stage = before.pop(id(train.beds[group.places[which]]))
                gone.append((stage, self._one(more, which, stage)))
            self._watch = {}
            self._look()
            following = [
                one
                for one in self._acts(group)
                if one.due_days < train.at_days + AT_ONCE_DAYS
                and id(train.beds[group.places[one.which]]) in before
            ]
            more = following[0] if following else None
        self._renewed_at[group] = train.at_days
        for stage, renewal in gone:
            yield replace(renewal, rotation=any(other > stage for other in before.values()))

    def _one(self, act: _Act, which: int, stage: int) -> Renewal:
        """Renew one bed."""
        train, group = self.train, act.group
        row = group.places[which]
        fitted, state = train.beds[row], train.state[row].copy()
        life_days = train.at_days - fitted.fitted_days
        rotates = not group.together and len(group.places) > 1
        cause = train.likeliest(act.by_cause, by_days=act.due_days)
        if rotates:
            life_days = self._chain_life_days(group, cause, state, life_days)
        train.renew_bed((row,) if group.together else group.places, 0 if group.together else which)
        return Renewal(
            day=train.today.now_day + train.at_days,
            stage=stage,
            medium_key=train.beds[row if group.together else group.places[-1]].medium.key,
            cause=cause,
            rotation=False,
            worn=train.quantile(state, 0.5),
            replaced=fitted.key,
            life_days=life_days,
            group=train.bed_stages[group.places[0]],
        )

    def _chain_life_days(
        self, group: Group, cause: str, state: FloatArray, age_days: float
    ) -> float:
        """Days of water that use up what one cartridge of a chain gives, else its share of age."""
        if cause == "outlet_limit":
            with np.errstate(divide="ignore", invalid="ignore"):
                days = (1.0 - state) / self.train.wear_per_day(group.places)
            middle = self.train.quantile(np.nan_to_num(days, nan=np.inf), 0.5)
            if math.isfinite(middle):
                return middle
        return age_days / len(group.places)
