"""Cartridges in and out: a swap of one stage, a rotation of the carbon, and their corrections."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from django import forms
from django.utils import timezone

from cartridges.models import Cartridge, CartridgeSpec, Fact, Fitting, Housing, Kind, Stage
from cartridges.services import acts, placements
from cartridges.services.placements import Stay

from .log_base import LogForm
from .log_fields import in_clock_words, to_the_minute
from .log_flow import StageField

NEW, NONE = "new", "none"


class ShelfField(forms.ChoiceField):
    """A choice among the spares; whether it is still on the shelf is told by the form, after it
    has looked for somebody else's swap that took it."""

    widget = forms.RadioSelect

    def valid_value(self, value: Any) -> bool:
        return True


class PriceField(forms.DecimalField):
    """Money, not below zero; a decimal comma is taken."""

    widget = forms.TextInput

    def to_python(self, value: Any) -> Any:
        text = str(value or "").strip()
        if "," in text and "." not in text and len(text.rsplit(",", 1)[1]) != 3:
            text = text.replace(",", ".")
        return super().to_python(text.replace(",", "") or None)


if TYPE_CHECKING:  # generic for the type checker alone
    AmongSpecs = forms.ModelChoiceField[CartridgeSpec]
else:
    AmongSpecs = forms.ModelChoiceField


class SpecField(AmongSpecs):
    """A kind of cartridge: the household's own and the starter set."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(queryset=CartridgeSpec.objects.none(), **kwargs)


class CartridgeForm(LogForm):
    """What swap, rotation and correction share: one from the shelf, or one bought now.

    ``saw`` carries the last fitting of each stage as it was when the page was shown, so that two
    people who log the same swap are told of each other instead of swapping twice.
    """

    MODEL = Fitting
    MAIN = "cartridge"
    OFFERS_NONE = True
    BEGINS_THE_TRAIN = True

    cartridge = ShelfField(label="Cartridge")
    spec = SpecField(
        label="What was bought",
        required=False,
        empty_label="Choose a kind",
        help_text="Only for one just bought.",
        error_messages={"required": "Which kind of cartridge was bought?"},
    )
    price = PriceField(
        label="Price",
        required=False,
        min_value=Decimal(0),
        max_digits=9,
        decimal_places=2,
        error_messages={
            "invalid": "Write the price as a number, such as 24.50.",
            "min_value": "A price cannot be below zero.",
            "max_digits": "This looks too large for a price.",
            "max_whole_digits": "This looks too large for a price.",
        },
    )
    saw = forms.CharField(required=False, widget=forms.HiddenInput())

    def build(self) -> None:
        self.stages = list(self.train.stages.filter(retired_at__isnull=True))
        self.here = placements.in_service(self.train)
        self.shelf = placements.shelf(self.train.household)
        spec = self.fields["spec"]
        assert isinstance(spec, SpecField)
        spec.queryset = CartridgeSpec.objects.open_to(self.train.household)
        self.fields["price"].widget.attrs |= {"inputmode": "decimal", "autocomplete": "off"}
        self.fields["price"].label = f"Price in {self.train.household.currency}"
        wanted = self.wanted_stage()
        self.shelf.sort(key=lambda c: (wanted is None or not suits(c.spec, wanted), c.number))
        choices = [(str(c.pk), self.describe(c)) for c in self.shelf]
        choices.append((NEW, "One just bought"))
        if self.OFFERS_NONE:
            choices.append((NONE, "Nothing: the stage stays empty"))
        self.offer(choices)
        if self.fact is None:
            fitting = [c for c in self.shelf if wanted is not None and suits(c.spec, wanted)]
            self.initial.setdefault("cartridge", str(fitting[0].pk) if fitting else NEW)
            stay = self.here.get(wanted.pk) if wanted is not None else None
            if stay is not None:
                self.initial.setdefault("spec", stay.cartridge.spec_id)
        # Asked, and needed, where one just bought goes in.
        spec.required = not self.is_bound or self.data.get("cartridge") == NEW
        self.last_fittings = self._last_fittings()
        self.initial.setdefault("saw", self.seen())

    def offer(self, choices: list[tuple[str, str]]) -> None:
        """Let the keeper choose among these."""
        self.offered = dict(choices)
        field = self.fields["cartridge"]
        assert isinstance(field, ShelfField)
        field.choices = choices

    def wanted_stage(self) -> Stage | None:
        """The stage that the form is about, as far as it is known before it is sent."""
        asked = str(self.data.get("stage") or self.initial.get("stage") or "")
        return next((s for s in self.stages if str(s.pk) == asked), None)

    def describe(self, cartridge: Cartridge) -> str:
        """A spare as it is offered, with the water it wants to be flushed with."""
        words = [f"No. {cartridge.number}, {cartridge.spec}"]
        if cartridge.bought_on is not None:
            day = cartridge.bought_on
            words.append(f"bought {day.day} {day:%b %Y}")
        if cartridge.spec.flush_volume_l:
            words.append(f"flush {self.words(cartridge.spec.flush_volume_l, 'volume')} to waste")
        return " · ".join(words)

    def _last_fittings(self) -> dict[int, Fitting]:
        rows = (
            Fitting.objects.standing()
            .filter(train=self.train)
            .select_related("stage", "cartridge__spec", "logged_by")
            .in_order()
        )
        return {row.stage_id: row for row in rows}

    def seen(self) -> str:
        """The last fitting of every stage, as the page shows it now."""
        pairs = ((s.pk, self.last_fittings.get(s.pk)) for s in self.stages)
        return ",".join(f"{pk}:{row.pk if row else 0}" for pk, row in pairs)

    def changed_meanwhile(self, stages: list[Stage]) -> list[Fitting]:
        """Fittings of these stages that were not there yet when the page was shown."""
        saw = dict(
            pair.split(":", 1) for pair in self.cleaned_data["saw"].split(",") if ":" in pair
        )
        rows = [self.last_fittings.get(stage.pk) for stage in stages]
        return [r for r in rows if r is not None and saw.get(str(r.stage_id)) != str(r.pk)]

    def tell_of(self, others: list[Fitting]) -> None:
        """Say what somebody else logged, and take the page as showing that from now on."""
        told = "; ".join(
            f"{row.logged_by or 'somebody'} logged “{row.summary(units=self.units)}” for "
            f"{in_clock_words(row.at)}"
            for row in others
        )
        self.add_error(
            "cartridge",
            f"Since this page was opened, {told}. Nothing was saved now. Save again only if this "
            "is one more swap after that.",
        )
        self.show("saw", self.seen())

    def chosen(self) -> Cartridge | None:
        """The cartridge from the shelf; None for one bought now, or none at all."""
        picked = self.cleaned_data["cartridge"]
        return next((c for c in self.shelf if str(c.pk) == picked), None)

    def chosen_spec(self) -> CartridgeSpec | None:
        """The kind of what goes in; None for nothing."""
        if self.cleaned_data["cartridge"] == NONE:
            return None
        chosen = self.chosen()
        bought: CartridgeSpec | None = self.cleaned_data["spec"]
        return bought if chosen is None else chosen.spec

    @property
    def is_bought_now(self) -> bool:
        return bool(self.cleaned_data["cartridge"] == NEW)

    def weigh_cartridge(self, stage: Stage) -> None:
        """Refuse a spare that is gone; ask back one of another size or kind than the stage."""
        if self.cleaned_data["cartridge"] not in self.offered:
            self.add_error(
                "cartridge", "That cartridge is not on the shelf any more. Pick another one."
            )
            return
        spec = self.chosen_spec()
        if spec is None or suits(spec, stage):
            return
        self.doubt(
            "cartridge",
            f"{spec} is {spec.get_kind_display().lower()} for a {spec.get_housing_display()} "
            f"housing; stage {stage.position} is {stage.get_kind_display().lower()} in a "
            f"{stage.get_housing_display()} housing. Is this right?",
        )

    def take_cartridge(self) -> Cartridge | None:
        """The cartridge that goes in; one bought now is put on the shelf first."""
        if not self.is_bought_now:
            return self.chosen()
        [cartridge] = acts.buy(
            household=self.train.household,
            spec=self.cleaned_data["spec"],
            bought_on=timezone.localtime(self.cleaned_data["at"]).date(),
            price=self.cleaned_data["price"],
        )
        return cartridge


class SwapForm(CartridgeForm):
    """Another cartridge into one stage, or the stage left empty."""

    FACT_FIELDS = ("stage",)
    SAME = ("stage",)
    ONE_A_MINUTE = False
    WHEN = "Swapped"

    stage = StageField(label="Stage", empty_label=None)
    field_order = ["stage", "cartridge", "spec", "price", "at", "remark", "why"]

    def build(self) -> None:
        super().build()
        field = self.fields["stage"]
        assert isinstance(field, StageField)
        field.queryset = self.train.stages.filter(retired_at__isnull=True)
        field.words = self.stage_words
        if len(self.stages) == 1:
            self.initial.setdefault("stage", self.stages[0].pk)

    def stage_words(self, stage: Stage) -> str:
        stay = self.here.get(stage.pk)
        if stay is None:
            return f"{stage} · empty"
        days = (timezone.localdate() - timezone.localtime(stay.start).date()).days
        return f"{stage} · holds no. {stay.cartridge.number}, {days:,} days"

    def says_the_same(self, other: Fact) -> bool:
        """The same cartridge, or one of the same kind bought for the same swap."""
        assert isinstance(other, Fitting)
        if other.cartridge is None or self.cleaned_data["cartridge"] == NONE:
            return other.cartridge is None and self.cleaned_data["cartridge"] == NONE
        if self.is_bought_now:
            return bool(other.cartridge.spec == self.cleaned_data["spec"])
        return bool(str(other.cartridge.pk) == self.cleaned_data["cartridge"])

    def weigh(self) -> None:
        stage = self.cleaned_data["stage"]
        others = self.changed_meanwhile([stage])
        if others and self.fact is None:
            self.tell_of(others)
            return
        last = self.last_fittings.get(stage.pk)
        if self.fact is None and last is not None and last.at > self.cleaned_data["at"]:
            self.doubt(
                "at",
                f"Stage {stage.position} got another cartridge after that, on "
                f"{in_clock_words(last.at)}; this one will stand as an earlier one. Is this right?",
            )
        self.weigh_cartridge(stage)


class FittingCorrectionForm(SwapForm):
    """What was fitted, where and when, put right."""

    def build(self) -> None:
        assert isinstance(self.fact, Fitting)
        super().build()
        own = self.fact.cartridge
        if own is not None and own not in self.shelf:
            self.shelf.append(own)
            self.offer([(str(own.pk), self.describe(own)), *self.offered.items()])

    def initial_of(self, fact: Fact) -> dict[str, Any]:
        assert isinstance(fact, Fitting)
        return {
            "at": fact.at,
            "remark": fact.remark,
            "stage": fact.stage_id,
            "cartridge": NONE if fact.cartridge_id is None else str(fact.cartridge_id),
        }

    def weigh(self) -> None:
        super().weigh()
        if self.cleaned_data["cartridge"] == NONE and self._was_empty():
            self.add_error("cartridge", "There was nothing in that stage to take out then.")

    def changes(self) -> dict[str, Any]:
        """As they are known before a cartridge bought now is put on the shelf."""
        return super().changes() | {"cartridge": self.chosen()}

    def is_changed(self) -> bool:
        return self.is_bought_now or super().is_changed()

    def _was_empty(self) -> bool:
        at, stage = self.cleaned_data["at"], self.cleaned_data["stage"]
        rows = (
            Fitting.objects.standing()
            .filter(train__household=self.train.household)
            .exclude(pk=self.fact.pk if self.fact else None)
            .select_related("stage", "cartridge")
            .in_order()
        )
        return not any(
            s.stage.pk == stage.pk and s.start < at and (s.end is None or s.end >= at)
            for s in placements.follow(rows)
        )


@dataclass(frozen=True, slots=True)
class Move:
    """One line of a rotation: what leaves this stage, and what comes in (None: the new one).

    ``forward`` is the position that what leaves goes to, 0 where it is done.
    """

    stage: Stage
    out: Stay
    comes: Stay | None
    forward: int

    @property
    def suits(self) -> bool:
        """Whether what comes in is of this stage's size and kind."""
        return self.comes is None or suits(self.comes.cartridge.spec, self.stage)


class RotationForm(CartridgeForm):
    """Lead–lag: the first carbon out, the others forward, a new one last."""

    OFFERS_NONE = False
    ONE_A_MINUTE = False
    WHEN = "Rotated"
    field_order = ["cartridge", "spec", "price", "at", "remark"]

    def build(self) -> None:
        stages = acts.carbon_stages(self.train)
        here = placements.in_service(self.train)
        chain = [here[s.pk] for s in stages if s.pk in here]
        self.moves = [
            Move(stay.stage, stay, following, before.stage.position if before else 0)
            for before, stay, following in zip(
                [None, *chain], chain, [*chain[1:], None], strict=False
            )
        ]
        super().build()
        if self.moves:
            last = self.moves[-1].stage
            self.fields["cartridge"].label = f"The new one, into stage {last.position}"

    @property
    def possible(self) -> bool:
        return len(self.moves) >= 2

    def wanted_stage(self) -> Stage | None:
        return self.moves[-1].stage if self.moves else None

    def of_that_minute(self) -> list[Fact]:
        return []

    def weigh(self) -> None:
        if not self.possible:
            self.add_error("cartridge", "A rotation needs two carbon stages that hold a cartridge.")
            return
        others = self.changed_meanwhile([move.stage for move in self.moves])
        if others:
            self.tell_of(others)
            return
        first = max(move.out.start for move in self.moves)
        if self.cleaned_data["at"] < to_the_minute(first):
            self.add_error(
                "at", f"One of these cartridges was fitted later, on {in_clock_words(first)}."
            )
            return
        self.weigh_cartridge(self.moves[-1].stage)


def suits(spec: CartridgeSpec, stage: Stage) -> bool:
    """Whether size and purpose agree; what is “other” suits everywhere."""
    sizes = {spec.housing, stage.housing}
    kinds = {spec.kind, stage.kind}
    return (len(sizes) == 1 or Housing.OTHER in sizes) and (len(kinds) == 1 or Kind.OTHER in kinds)
