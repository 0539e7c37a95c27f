"""The charts of a plan: who works in which stage for how long, and what a year costs."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from decimal import Decimal

from django.utils.formats import date_format

from cartridges.models import CartridgeSpec, Stage, Train
from cartridges.physics.plan_train import alike
from cartridges.services import placements
from cartridges.services.charts import NOW, SERIES, SOFT, Chart, Sheet
from cartridges.services.packages import medium_of
from schedule.models import PlannedSwap, PlanSummary

from .costs import in_money
from .plan_page import POLICY_NAMES, VisitShown

BAR_PX = 16
ROW_PX = 62


def charts(
    train: Train, visits: Sequence[VisitShown], summary: PlanSummary, *, today: dt.date
) -> list[Chart]:
    """Those that there is something to show for."""
    found = (timeline(train, visits, summary, today=today), costs(train, summary))
    return [c for c in found if c is not None]


def timeline(
    train: Train, visits: Sequence[VisitShown], summary: PlanSummary, *, today: dt.date
) -> Chart | None:
    """A bar for each cartridge's time in each stage, a diamond where a new one goes in."""
    here = placements.in_service(train)
    stages = list(train.stages.filter(retired_at__isnull=True).order_by("position"))
    if not visits or not stages:
        return None
    height = 70 + ROW_PX * len(stages)
    sheet = Sheet(y_title="", height=height)
    row = {stage.pk: len(stages) - place for place, stage in enumerate(stages)}
    kinds = {pk: stay.cartridge.spec for pk, stay in here.items()}
    bars = _bars(stages, list(here), visits, kinds, today=today, end=summary.horizon_on)
    for stage_pk, first, last, colour in bars:
        if first < last:
            sheet.line(
                "cartridge",
                [first.isoformat(), last.isoformat()],
                [row[stage_pk], row[stage_pk]],
                line={"width": BAR_PX, "color": colour},
                hoverinfo="skip",
            )
    news = [(v, s.swap, s.title, s.why) for v in visits for s in v.swaps if s.swap.stage_id in row]
    sheet.points(
        "new cartridge",
        [max(v.visit.on, today).isoformat() for v, *_ in news],
        [row[chain_of(swap, stages, kinds)[-1].pk] for _, swap, *_ in news],
        symbol="diamond",
        text=[f"{_day(v.visit.on)}: {title}" for v, _, title, _ in news],
    )
    for stage in stages:
        words = f"{stage.position} {stage.get_kind_display().lower()}"
        sheet.note(
            today.isoformat(), row[stage.pk], words, color=SOFT, yanchor="bottom", yshift=BAR_PX - 4
        )
    sheet.moment(today.isoformat(), "today", color=NOW)
    sheet.figure.update_layout(hovermode="closest")
    sheet.figure.update_yaxes(
        showgrid=False,
        showticklabels=False,
        ticks="",
        rangemode="normal",
        range=[0.5, len(stages) + 0.75],
    )
    sheet.figure.update_xaxes(range=[today.isoformat(), summary.horizon_on.isoformat()])
    return Chart(
        key="plan",
        title="The next 24 months",
        says="Each bar is one cartridge in one stage, in a colour that goes with it when "
        "it moves forward. A diamond is a new cartridge.",
        figure=sheet.json(),
        head=("Day", "What", "Because"),
        rows=tuple((_day(v.visit.on), title, why) for v, _, title, why in news),
    )


def _bars(
    stages: Sequence[Stage],
    filled: Sequence[int],
    visits: Sequence[VisitShown],
    kinds: dict[int, CartridgeSpec],
    *,
    today: dt.date,
    end: dt.date,
) -> list[tuple[int, dt.date, dt.date, str]]:
    """(stage, first day, last day, colour): each time that one cartridge spends in one stage."""
    count = 0
    held: dict[int, tuple[dt.date, str]] = {}

    def colour() -> str:
        nonlocal count
        count += 1
        return SERIES[(count - 1) % 4]

    for stage in stages:
        if stage.pk in filled:
            held[stage.pk] = (today, colour())
    bars = []
    for visit in visits:
        day = max(visit.visit.on, today)
        for shown in visit.swaps:
            moved = chain_of(shown.swap, stages, kinds)
            colours = [held[s.pk][1] for s in moved if s.pk in held][1:] + [colour()]
            for stage in moved:
                if stage.pk in held:
                    since, was = held.pop(stage.pk)
                    bars.append((stage.pk, since, day, was))
            for stage, own in zip(moved[-len(colours) :], colours, strict=True):
                held[stage.pk] = (day, own)
    bars += [(pk, since, end, was) for pk, (since, was) in held.items()]
    return bars


def chain_of(
    swap: PlannedSwap, stages: Sequence[Stage], kinds: dict[int, CartridgeSpec]
) -> list[Stage]:
    """The stages that a swap opens, the new cartridge going into the last of them.

    Its own, and in a rotation those of like carbon behind it, whatever lies between them.
    ``kinds`` gives what works in each stage.
    """
    opened = [s for s in stages if s.pk == swap.stage_id]
    if swap.rotation and opened:
        for stage in stages:
            kind = kinds.get(stage.pk)
            if stage.position > opened[0].position and kind is not None and kind.is_carbon:
                if not alike(medium_of(kind), medium_of(swap.spec)):
                    break
                opened.append(stage)
    return opened


LEAST_NAMED = Decimal("0.12")
"""The least share of the longest bar that leaves room for a name."""
PARTS = (("cartridges", "cartridges_cost"), ("water", "water_cost"), ("drain", "drain_cost"))


def costs(train: Train, summary: PlanSummary) -> Chart | None:
    """What a year costs under either policy, put together from its parts."""
    bills = summary.details.get("policies") or {}
    if len(bills) < 2 or any(b["unpriced"] for b in bills.values()):
        return None
    currency = train.household.currency
    mine = POLICY_NAMES[Train.Policy(train.policy)]
    order = sorted(bills, key=lambda policy: policy == train.policy)
    names = [POLICY_NAMES[Train.Policy(policy)].capitalize() for policy in order]
    sheet = Sheet(y_title="", x_title=f"Cost a year ({currency})", height=220)
    widest = max(Decimal(b["total_cost"]) for b in bills.values())
    so_far = Decimal(0)
    for k, (name, key) in enumerate(PARTS):
        amounts = [Decimal(bills[policy][key]) for policy in order]
        sheet.figure.add_bar(
            name=name,
            orientation="h",
            y=names,
            x=[float(a) for a in amounts],
            marker={"color": SERIES[k], "line": {"width": 0}},
            text=[f"{a:,.0f}" for a in amounts],
            hovertext=[f"{name} {in_money(a, currency)}" for a in amounts],
            textposition="inside",
            insidetextanchor="middle",
            textangle=0,
            textfont={"color": "var(--chart-surface)"},
            hovertemplate="%{hovertext}<extra></extra>",
        )
        if amounts[-1] > LEAST_NAMED * widest:  # named above the upper bar
            middle = float(so_far + amounts[-1] / 2)
            sheet.note(middle, names[-1], name, color=SERIES[k], xanchor="center", yshift=38)
        so_far += amounts[-1]
    sheet.figure.update_layout(
        barmode="stack",
        bargap=0.35,
        hovermode="closest",
        uniformtext={"mode": "hide", "minsize": 11},
    )
    sheet.figure.update_yaxes(rangemode="normal", showgrid=False)
    sheet.figure.update_xaxes(showgrid=True, rangemode="tozero")
    return Chart(
        key="costs",
        title="What a year costs",
        says=f"Cartridges, water and drain, averaged over the plan. This train is looked after by "
        f"{mine}.",
        figure=sheet.json(),
        head=("Policy", *(name.capitalize() for name, _ in PARTS), "In all"),
        rows=tuple(
            (
                name,
                *(in_money(bills[policy][key], currency) for _, key in PARTS),
                in_money(bills[policy]["total_cost"], currency),
            )
            for name, policy in zip(reversed(names), reversed(order), strict=True)
        ),
    )


def _day(day: dt.date) -> str:
    return str(date_format(day, "j M Y"))
