"""The train as the plan imagines it: what sits where, how worn it is, and when it is spent.

Times here are days from now, over the members of the ensemble of today (see `today`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .arrays import BoolArray, FloatArray
from .causes import (
    cartridge_fit,
    claim_for,
    dirt_share_left,
    label_volume_days,
    mean_flow_l_day,
    wear_days,
)
from .ensemble import weighted_quantiles
from .forecast import Future, advanced_state, first_exceedance_days, later
from .knowledge import litres_through
from .plan_data import Policy
from .sediment import ResistanceFit
from .series import MemberBed, outlets_mg_l
from .today import Today
from .train_data import CARBON_KINDS, CAUSES, Medium

LEAST_LIFE_DAYS = 7.0
"""A new cartridge that does not keep the limit for so long cannot hold it (our own judgement)."""
SPENT_AT_ONCE_DAYS = 1.0
"""A cause that meets a new cartridge within so many days says nothing of when to renew it."""


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """A cartridge in the imagined train.

    key: "" for one that the plan put in. fitted_days: when it was first placed, days from now.
    passed_l: litres through it by since_days. bed: None where it takes out no chlorine.
    """

    key: str
    medium: Medium
    bed: MemberBed | None
    fit: ResistanceFit | None
    fitted_days: float
    since_days: float
    passed_l: float

    def renewed(self, *, at_days: float) -> Fitted:
        """A new cartridge of the same kind."""
        return replace(
            self, key="", fitted_days=at_days, since_days=max(at_days, 0.0), passed_l=0.0
        )


@dataclass(frozen=True, slots=True)
class Group:
    """Beds that are renewed by one rule, by their places among the beds in the order of flow.

    rotates: whoever goes out, those behind it move forward and the new one goes in last. together:
    all are renewed at once.
    """

    places: tuple[int, ...]
    rotates: bool = False
    together: bool = False


class PlannedTrain:
    """Beds and other cartridges, moved from one moment to the next."""

    def __init__(self, today: Today) -> None:
        self.today = today
        self.flow_l_day = mean_flow_l_day(today.inputs, today.uncertain)
        self.at_days = 0.0
        self.beds: list[Fitted] = []
        self.bed_stages: list[int] = []
        self.others: list[tuple[int, Fitted]] = []
        for stage, key in enumerate(today.layouts.at(today.now_day), start=1):
            if key is not None:
                fitted = self._in_place(stage, key)
                if fitted.bed is None:
                    self.others.append((stage, fitted))
                else:
                    self.beds.append(fitted)
                    self.bed_stages.append(stage)
        self.state = today.remaining.copy()
        self.series = today.series
        self._senseless: dict[tuple[Medium, ResistanceFit | None], frozenset[str]] = {}

    def _in_place(self, stage: int, key: str) -> Fitted:
        today = self.today
        inputs, layouts = today.inputs, today.layouts
        passed = litres_through(
            inputs.segments,
            layouts.periods_of(key, until_day=today.now_day),
            until_day=today.now_day,
            tail_flow_l_day=inputs.future_flow_l_day,
        )
        return Fitted(
            key=key,
            medium=layouts.media[key],
            bed=today.uncertain.beds.get(key),
            fit=cartridge_fit(inputs, layouts, now_day=today.now_day, stage=stage, cartridge=key),
            fitted_days=layouts.first_day(key) - today.now_day,
            since_days=0.0,
            passed_l=passed,
        )

    def quantile(self, values: FloatArray, share: float) -> float:
        """The weighted quantile over members."""
        return float(weighted_quantiles(values, self.today.weight, share)[0])

    def planned(self, days: FloatArray) -> float:
        """The days by which the planned share of members have reached something."""
        return self.quantile(days, self.today.inputs.plan_share)

    def water(self) -> Future:
        """The water from this moment on."""
        return later(self.today.future, days=self.at_days)

    def water_changes_days(self) -> float:
        """The end of the present period of constant water, days from now."""
        future = self.today.future
        period = int(np.searchsorted(future.start_days, self.at_days, side="right")) - 1
        return float(future.end_days[period])

    def go_to(self, days: float) -> None:
        """Let the water pass until a later moment."""
        if days > self.at_days:
            self.state = self._after(self.state, days - self.at_days, self.water())
            self.at_days = days

    def _after(self, state: FloatArray, days: float, water: Future) -> FloatArray:
        return advanced_state(
            remaining=state,
            series=self.series,
            future=water,
            uncertain=self.today.uncertain,
            dose_share=self.today.dose_share,
            days=days,
        )

    def exceedance_days(self, beds: int) -> FloatArray:
        """When the outlet after each of the first beds passes the limit, days from now."""
        found = first_exceedance_days(
            remaining=self.state[:beds],
            series=self.series.upto(beds),
            future=self.water(),
            uncertain=self.today.uncertain,
            dose_share=self.today.dose_share,
            limit_mg_l=self.today.inputs.limit_mg_l,
        )
        return found[1:] + self.at_days

    def over_when_new(self, place: int, new: tuple[int, ...]) -> BoolArray:
        """Members in which the outlet after a bed passes the limit within LEAST_LIFE_DAYS.

        new: the places that are taken as new, all others as they are; the water stays as it is now.
        """
        water = self.water()
        forever = Future(
            water.start_days[:1],
            np.array([LEAST_LIFE_DAYS]),
            water.free_mg_l[:1],
            water.combined_mg_l[:1],
            water.rel_sd[:1],
        )
        state = self.state.copy()
        state[list(new)] = 1.0
        state = self._after(state, LEAST_LIFE_DAYS, forever)
        free, combined = self._outlets(state)
        return np.asarray((free + combined)[place + 1] > self.today.inputs.limit_mg_l)

    def mostly(self, which: BoolArray) -> bool:
        """Whether members of more than half the weight are among these."""
        return float(self.today.weight[which].sum()) > 0.5

    def _outlets(self, state: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Free and combined chlorine at the tap and after each bed now, (beds + 1, members)."""
        water = self.water()
        factor = self.today.uncertain.tap_factor(float(water.rel_sd[0]))
        free = np.full(state.shape[1], water.free_mg_l[0]) * factor
        combined = np.full(state.shape[1], water.combined_mg_l[0]) * factor
        after = outlets_mg_l(state, self.series, free_mg_l=free, combined_mg_l=combined)
        return np.vstack([free[None], after[0]]), np.vstack([combined[None], after[1]])

    def own_days(self, fitted: Fitted, *, at_days: float, by_label: bool) -> dict[str, FloatArray]:
        """When each cause but the outlet ends a cartridge, days from now, (members,).

        by_label: whether the volume on the package counts. Causes that would meet a new cartridge
        of this kind at once are left out.
        """
        kind = (fitted.medium, fitted.fit)
        if kind not in self._senseless:
            new = fitted.renewed(at_days=at_days)
            self._senseless[kind] = frozenset(
                cause
                for cause, days in self._causes(new, at_days=at_days, by_label=True).items()
                if self.planned(days) < SPENT_AT_ONCE_DAYS
            )
        found = self._causes(fitted, at_days=at_days, by_label=by_label)
        return {
            cause: days + at_days
            for cause, days in found.items()
            if cause not in self._senseless[kind]
        }

    def _causes(self, fitted: Fitted, *, at_days: float, by_label: bool) -> dict[str, FloatArray]:
        """Days from at_days to each of them."""
        passed = self._passed_l(fitted, at_days)
        found = wear_days(
            self.today.inputs,
            self.today.members,
            medium=fitted.medium,
            flow_l_day=self.flow_l_day,
            passed_l=passed,
            age_days=at_days - fitted.fitted_days,
            fit=fitted.fit,
        )
        water = later(self.today.future, days=at_days)
        claim = claim_for(fitted.medium, water) if by_label else None
        if claim is not None:
            found["label_volume"] = label_volume_days(
                claim, flow_l_day=self.flow_l_day, passed_l=passed
            )
        return found

    def _passed_l(self, fitted: Fitted, at_days: float) -> FloatArray:
        return fitted.passed_l + self.flow_l_day * (at_days - fitted.since_days)

    def likeliest(self, by_cause: dict[str, FloatArray], *, by_days: float) -> str:
        """The first cause of most members that have reached one by then."""
        names = sorted(by_cause, key=CAUSES.index)
        days = np.array([by_cause[name] for name in names])
        reached = days.min(axis=0) <= by_days + 1e-9
        which = days.argmin(axis=0)
        weight = self.today.weight
        shares = [float(weight[reached & (which == row)].sum()) for row in range(len(names))]
        return names[int(np.argmax(shares))]

    def wear_per_day(self, places: tuple[int, ...]) -> FloatArray:
        """How much of one capacity the given beds together lose in a day now, (members,).

        -dS/dt = w Q (C_in - C_out)/M for each bed and species, and Q/M = k/b.
        """
        free, combined = self._outlets(self.state)
        series = self.series
        total = np.zeros(self.state.shape[1])
        for row in places:
            total += series.wear_free[row] / series.units_free[row] * (free[row] - free[row + 1])
            with np.errstate(invalid="ignore", divide="ignore"):
                used = series.wear_combined[row] / series.units_combined[row]
            total += np.nan_to_num(used * (combined[row] - combined[row + 1]), posinf=0.0)
        return total * self.today.dose_share

    def renew_bed(self, places: tuple[int, ...], which: int) -> Fitted:
        """Take out the bed at places[which], move those behind it forward, put a new one last."""
        gone = self.beds[places[which]]
        new = self.beds[places[-1]].renewed(at_days=self.at_days)
        for place, behind in zip(places[which:], places[which + 1 :], strict=False):
            self.beds[place], self.state[place] = self.beds[behind], self.state[behind]
        self.beds[places[-1]], self.state[places[-1]] = new, 1.0
        self.series = self.today.series_of([one.bed for one in self.beds if one.bed is not None])
        return gone

    def left(self, fitted: Fitted, *, at_days: float) -> float | None:
        """The median fraction of what a cartridge without a bed can give that is left."""
        found = self._causes(fitted, at_days=at_days, by_label=False)
        if "dirt" in found:
            passed = self._passed_l(fitted, at_days)
            share = dirt_share_left(found["dirt"], flow_l_day=self.flow_l_day, passed_l=passed)
            return self.quantile(share, 0.5)
        if fitted.medium.calendar_days is not None:
            return self.quantile(found["calendar"], 0.5) / fitted.medium.calendar_days
        return None


def alike(one: Medium, other: Medium) -> bool:
    """Whether two cartridges can stand in for each other: of one kind and, where known, size."""
    sizes = {one.bed_volume_l, other.bed_volume_l} - {None}
    return one.key == other.key or (one.kind == other.kind and len(sizes) < 2)


def groups_of(train: PlannedTrain, policy: Policy) -> list[Group]:
    """The rules by which the beds of a train are renewed, in the order of flow.

    lead_lag: each chain of carbons that are alike and follow each other (whatever else lies between
    them) rotates. same_day: all carbon goes together. A bed that is not of carbon goes by itself.
    """
    carbon = [row for row, one in enumerate(train.beds) if one.medium.kind in CARBON_KINDS]
    chains: list[list[int]] = []
    for row in carbon:
        joins = policy == "same_day" or (
            chains and alike(train.beds[chains[-1][-1]].medium, train.beds[row].medium)
        )
        if chains and joins:
            chains[-1].append(row)
        else:
            chains.append([row])
    groups = [
        Group(tuple(chain), rotates=policy == "lead_lag", together=policy == "same_day")
        for chain in chains
    ]
    groups += [Group((row,)) for row in range(len(train.beds)) if row not in carbon]
    return sorted(groups, key=lambda group: group.places)
