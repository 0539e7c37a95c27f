"""What an estimate rests on: each figure, where it comes from, and what it does."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cartridges.models import CartridgeSpec, OwnFigure
from cartridges.physics.bed_spec import BedSpec, bed_spec
from cartridges.physics.correction import PRIOR_SD
from cartridges.physics.sediment import SOLIDS_MG_L_PER_NTU
from cartridges.physics.train import FLOW_EXPONENT_RANGE

if TYPE_CHECKING:
    from .timeline import Timeline

PACKAGE, OWN, ASSUMED, MEASURED = "package", "own", "assumed", "measured"
RATE_UNIT = "L/(mg·day)"


def assumptions(spec: CartridgeSpec, line: Timeline) -> list[dict[str, Any]]:
    """The figures behind the estimate of a cartridge of this kind, the most telling first.

    Each is {"figure", "value", "quantity", "unit", "origin", "text"}: ``quantity`` names a unit of
    the edge ("" where ``unit`` says it), ``origin`` is one of package, own, assumed, measured.
    ``figure`` is an OwnFigure code where the keeper can put a number of their own in its place.
    """
    printed = ASSUMED if spec.is_starter else PACKAGE
    medium = line.medium(spec)
    rows: list[dict[str, Any]] = []

    def add(
        figure: str, value: float | None, origin: str, text: str, quantity: str = "", unit: str = ""
    ) -> None:
        own = (spec.pk, figure) in line.own_figures
        rows.append(
            {
                "figure": figure,
                "value": value,
                "quantity": quantity,
                "unit": unit,
                "origin": OWN if own else origin,
                "text": text,
            }
        )

    past, _ = line.source
    bed = bed_spec(medium=medium, combined_in_water=bool(past.combined_mg_l.max() > 0))
    if bed is not None:
        for row in _bed_rows(bed, line, printed):
            add(*row)
    if medium.bed_volume_l is not None:
        add(
            OwnFigure.Figure.BED_VOLUME,
            medium.bed_volume_l,
            printed,
            "Volume of carbon: with the flow it gives the contact time.",
            "bed_volume",
        )
    if medium.kind == "sediment":
        add(
            OwnFigure.Figure.DIRT,
            medium.dirt_capacity_g,
            printed,
            "Dirt that the cartridge can hold before it is full.",
            "dirt",
        )
        add(
            OwnFigure.Figure.SOLIDS,
            medium.solids_mg_l_per_ntu or SOLIDS_MG_L_PER_NTU,
            ASSUMED,
            "Dirt in the water for each unit of turbidity (common practice, no source).",
            unit="mg/L per NTU",
        )
        measured = line.turbidity_is_measured
        add(
            "turbidity_ntu",
            line.turbidity_ntu,
            MEASURED if measured else ASSUMED,
            "Turbidity of the tap, the mean of the last year’s tests."
            if measured
            else "Turbidity of the tap, as stated for it: no test of the last year told it.",
            "turbidity",
        )
    if medium.calendar_days is not None:
        add(
            OwnFigure.Figure.CALENDAR,
            float(medium.calendar_days),
            printed,
            "Longest time in service, however little water has passed.",
            unit="days",
        )
    learnt = line.throughput.correction
    add(
        "correction",
        learnt.factor,
        MEASURED if learnt.observations else ASSUMED,
        f"Flow found over flow expected, from {learnt.observations} meter intervals and bucket "
        "tests."
        if learnt.observations
        else "No meter reading or bucket test yet: the restrictor is taken at its word, "
        f"±{PRIOR_SD:.0%}.",
        unit="×",
    )
    add(
        "inlet_total_mg_l",
        float(past.total_mg_l[-1]),
        ASSUMED if line.tap_is_typical else MEASURED,
        f"Total chlorine in the tap water, ±{past.rel_sd[-1]:.0%}: a typical figure, until the "
        "utility’s report or a test of the tap is entered."
        if line.tap_is_typical
        else f"Total chlorine in the tap water, ±{past.rel_sd[-1]:.0%} by the age and number of "
        "tests.",
        "chlorine",
    )
    return rows


def _bed_rows(
    bed: BedSpec, line: Timeline, printed: str
) -> list[tuple[str, float | None, str, str, str, str]]:
    from_contact = any(code.startswith("chloramine_rate") for code in bed.combined_rests_on)
    contact_words = (
        "Catalytic" if "chloramine_rate_catalytic" in bed.combined_rests_on else "Ordinary"
    )
    exponent = bed.flow_exponent
    capacity_cv, rate_cv = line.inputs.capacity_cv, line.inputs.rate_cv
    low, high = FLOW_EXPONENT_RANGE
    return [
        (
            OwnFigure.Figure.CAPACITY,
            bed.capacity_mg,
            printed,
            f"Chlorine that a fresh cartridge can take up, taken as ±{capacity_cv:.0%}; tests of "
            "the outlet sharpen it.",
            "capacity",
            "",
        ),
        (
            OwnFigure.Figure.RATE_FREE,
            bed.rate_free_l_mg_day,
            printed,
            "How fast the carbon takes up free chlorine at the rated flow, taken as "
            f"±{rate_cv:.0%}.",
            "",
            RATE_UNIT,
        ),
        (
            OwnFigure.Figure.RATE_COMBINED,
            bed.rate_combined_l_mg_day,
            ASSUMED if from_contact else printed,
            f"The package claims nothing for chloramine: {contact_words.lower()} carbon is "
            "assumed, by its contact time (Fairey, Speitel & Katz 2007)."
            if from_contact
            else "How fast the carbon takes up chloramine at the rated flow, taken as "
            f"±{rate_cv:.0%}.",
            "",
            RATE_UNIT,
        ),
        (
            OwnFigure.Figure.FLOW_EXPONENT,
            (low + high) / 2 if exponent is None else exponent,
            ASSUMED,
            f"How much slow flow slows the carbon: rate ∝ flow to this power, "
            f"taken as anything from {low:g} to {high:g}."
            if exponent is None
            else "How much slow flow slows the carbon: rate ∝ flow to this power.",
            "",
            "",
        ),
        (
            OwnFigure.Figure.AGEING,
            bed.ageing_per_day,
            ASSUMED,
            "Share of its remaining capacity that the carbon loses each day to fouling.",
            "",
            "per day",
        ),
    ]
