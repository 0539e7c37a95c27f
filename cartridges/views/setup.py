"""The guided set-up: one view for each step, all of one pattern.

A step saves what it asks and leads on; it can be left backwards, forwards or altogether. What
cannot be saved yet is kept with the session and shown again.
"""

from __future__ import annotations

from typing import Any, ClassVar

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.contrib.auth.mixins import LoginRequiredMixin
from django.db import transaction
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views import View
from django.views.decorators.http import require_POST

from cartridges.forms import setup_flow, setup_train, setup_water
from cartridges.forms.setup_cartridges import CartridgeRows
from cartridges.forms.setup_stages import StageRows, places_of
from cartridges.models import Stage, Train
from cartridges.services import placements, setup, stages, taps
from cartridges.services.overview import look_at
from cartridges.services.picture import pictures
from hobbyhydro.households import access
from hobbyhydro.households.access import To
from hobbyhydro.households.models import Household

from . import setup_drafts as drafts

STEPS: dict[str, str] = {
    "water": "Water",
    "train": "Train",
    "stages": "Stages",
    "cartridges": "Cartridges",
    "flow": "Flow",
    "answer": "Answer",
    "finish": "Finish",
}


def address(train: Train | None, step: str) -> str:
    return reverse("setup-start") if train is None else reverse(f"setup-{step}", args=[train.pk])


class StepView(LoginRequiredMixin, View):
    """One step. Subclasses say what is asked (`form`) and what is done with it (`save`)."""

    step: ClassVar[str]
    train: Train | None = None
    household: Household

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> Any:
        if not request.user.is_authenticated:
            return self.handle_no_permission()
        self.household = access.household(request, to=To.WRITE)
        if "train" in kwargs:
            self.train = access.get(
                request, Train.objects.select_related("source"), kwargs["train"], to=To.WRITE
            )
            if self.train.set_up_at is not None:
                messages.info(request, f"{self.train.name} is set up. Change it here.")
                return redirect("train-settings", self.train.pk)
            gap = setup.first_gap(self.train)
            if not self.reachable(self.step, gap):
                messages.info(request, "A step before that one is still open.")
                return HttpResponseRedirect(address(self.train, gap))
        return super().dispatch(request, *args, **kwargs)

    @staticmethod
    def reachable(step: str, gap: str) -> bool:
        """Whether a step can be taken: all that have something to work on, however far one is."""
        order = list(STEPS)
        return order.index(step) <= max(order.index(gap), order.index("stages")) or gap == "answer"

    @property
    def units(self) -> str:
        return access.person(self.request).units

    @property
    def key(self) -> int | None:
        return self.train.pk if self.train else None

    # What the steps fill in

    def form(self, data: QueryDict | None = None) -> Any:
        raise NotImplementedError

    def save(self, form: Any) -> Train:
        raise NotImplementedError

    def rearranged(self, form: Any, act: str) -> Any:
        """The form after one of the step's own buttons; nothing is saved."""
        return form

    def more(self, form: Any) -> dict[str, Any]:
        return {}

    # The pattern

    def get(self, request: HttpRequest, **kwargs: Any) -> HttpResponse:
        return self.show(self.form(drafts.kept(request, self.key, self.step)))

    def post(self, request: HttpRequest, **kwargs: Any) -> HttpResponse:
        go = request.POST.get("go", "next")
        form = self.form(request.POST)
        if go == "keep":
            drafts.keep(request, self.key, self.step)
            return HttpResponse(status=204)
        if "do" in request.POST:
            return self.show(self.rearranged(form, request.POST["do"]))
        if form.is_valid():
            with transaction.atomic():
                train = self.save(form)
            drafts.drop(request, self.key, self.step)
            return HttpResponseRedirect(address(train, self.toward(go, setup.first_gap(train))))
        if go == "next":
            return self.show(form)
        drafts.keep(request, self.key, self.step)
        messages.info(
            request,
            f"What you typed under “{STEPS[self.step]}” is kept, but something there needs "
            "another look before it counts.",
        )
        gap = setup.first_gap(self.train) if self.train else self.step
        return HttpResponseRedirect(address(self.train, self.toward(go, gap)))

    def toward(self, go: str, gap: str) -> str:
        """The step to go to: the next, the one before, or one by name if it can be reached."""
        order = list(STEPS)
        here = order.index(self.step)
        if go == "back":
            return order[max(0, here - 1)]
        if go in STEPS:
            return go if self.reachable(go, gap) else gap
        wanted = order[min(here + 1, len(order) - 1)]
        return wanted if self.reachable(wanted, gap) else gap

    def show(self, form: Any) -> HttpResponse:
        number = list(STEPS).index(self.step) + 1
        gap = setup.first_gap(self.train) if self.train else "water"
        context = {
            "form": form,
            "train": self.train,
            "step": self.step,
            "step_title": STEPS[self.step],
            "number": number,
            "count": len(STEPS),
            "next_title": list(STEPS.values())[min(number, len(STEPS) - 1)],
            "steps": [
                {
                    "name": name,
                    "title": title,
                    "number": k,
                    "here": name == self.step,
                    "done": k < number,
                    "open": self.train is not None and self.reachable(name, gap),
                }
                for k, (name, title) in enumerate(STEPS.items(), start=1)
            ],
            **self.more(form),
        }
        return render(self.request, f"cartridges/setup/{self.step}.html", context)


class WaterView(StepView):
    """The tap; begins the train when there is none yet."""

    step = "water"

    def get(self, request: HttpRequest, **kwargs: Any) -> HttpResponse:
        if self.train is None:
            begun = setup.unfinished(self.household)
            if begun is not None:
                messages.info(request, f"Here you left off with {begun.name}.")
                return HttpResponseRedirect(address(begun, setup.first_gap(begun)))
        return super().get(request, **kwargs)

    def post(self, request: HttpRequest, **kwargs: Any) -> HttpResponse:
        begun = drafts.begun(request) if self.train is None else None
        if begun is not None:
            train = access.get(request, Train, begun, to=To.WRITE)
            return HttpResponseRedirect(address(train, setup.first_gap(train)))
        return super().post(request, **kwargs)

    def form(self, data: QueryDict | None = None) -> setup_water.WaterForm:
        own = self.train.source if self.train else None
        shared = self.train is not None and setup.shared(self.train)
        known = self.household.sources.prefetch_related("trains").order_by("pk")
        if own is not None and not shared:
            known = known.exclude(pk=own.pk)
        initial = setup_water.initial_of(None if shared else own)
        initial["tap"] = str(own.pk) if own and shared else setup_water.NEW
        if self.train is None and known:
            initial["tap"] = str(known[0].pk)
        place = access.membership(self.request)
        return setup_water.WaterForm(
            data,
            units=self.units,
            taps=list(known),
            zone=place.may_govern and taps.is_clock_asked(self.household),
            initial={**initial, "time_zone": self.household.time_zone},
        )

    def save(self, form: setup_water.WaterForm) -> Train:
        zone = form.cleaned_data.get("time_zone")
        if zone and zone != self.household.time_zone:
            self.household.time_zone = zone
            self.household.save(update_fields=["time_zone"])
        by = access.person(self.request)
        train = setup.save_water(self.household, water=form.water, by=by, train=self.train)
        if self.train is None:
            drafts.note_begun(self.request, train.pk)
        return train

    def more(self, form: setup_water.WaterForm) -> dict[str, Any]:
        return {"token": drafts.new_token(), "typical": setup_water.TYPICAL_WATER}


class BegunView(StepView):
    """A step of a train that was begun."""

    train: Train


class TrainView(BegunView):
    step = "train"

    def form(self, data: QueryDict | None = None) -> setup_train.TrainForm:
        initial = setup_train.initial_of(self.train, units=self.units)
        return setup_train.TrainForm(data, units=self.units, initial=initial)

    def save(self, form: setup_train.TrainForm) -> Train:
        stages.change_train(self.train, form.values)
        return self.train


class StagesView(BegunView):
    step = "stages"

    def form(self, data: QueryDict | None = None) -> StageRows:
        if data is not None:
            return StageRows(data=data)
        standing = stages.standing(self.train)
        usual_for = self.train.source.disinfectant
        return StageRows(places=places_of(standing, disinfectant=usual_for))

    def rearranged(self, form: StageRows, act: str) -> StageRows:
        return form.rearranged(act)

    def save(self, form: StageRows) -> Train:
        setup.save_stages(self.train, form.places())
        return self.train


class CartridgesView(BegunView):
    step = "cartridges"

    def form(self, data: QueryDict | None = None) -> CartridgeRows:
        return CartridgeRows(
            stages=stages.standing(self.train),
            held=placements.in_service(self.train),
            household=self.household,
            units=self.units,
            data=data,
        )

    def save(self, form: CartridgeRows) -> Train:
        by = access.person(self.request)
        setup.save_cartridges(self.train, form.holdings(), by=by)
        return self.train


class FlowView(BegunView):
    step = "flow"

    def form(self, data: QueryDict | None = None) -> setup_flow.FlowForm:
        restrictor = setup.first_restrictor(self.train)
        meter = setup.set_up_meter(self.train)
        initial = setup_flow.initial_of(restrictor, meter, units=self.units)
        return setup_flow.FlowForm(data, units=self.units, initial=initial)

    def save(self, form: setup_flow.FlowForm) -> Train:
        setup.save_flow(
            self.train,
            rated_flow_l_day=form.cleaned_data["rated_flow_l_day"],
            rated_pressure_kpa=form.cleaned_data["rated_pressure_kpa"],
            law=form.cleaned_data["law"],
            meter=form.meter,
            by=access.person(self.request),
        )
        return self.train


class Nothing:
    """A step that asks nothing."""

    def is_valid(self) -> bool:
        return True


class AnswerView(BegunView):
    """How long each cartridge lasts, before the set-up is over."""

    step = "answer"

    def form(self, data: QueryDict | None = None) -> Nothing:
        return Nothing()

    def save(self, form: Nothing) -> Train:
        return self.train

    def more(self, form: Nothing) -> dict[str, Any]:
        estimates = setup.answer(self.train)
        return {
            "estimates": estimates,
            "summary": self.train.summary,
            "too_little": setup.too_little(self.train, estimates),
            "pictures": pictures(look_at([self.train])[0], units=self.units) if estimates else (),
        }


class FinishView(AnswerView):
    """All that was said, what would sharpen the answer, and the end of the set-up."""

    step = "finish"
    THEN: ClassVar[tuple[str, ...]] = ("outlet-test", "bucket-test", "meter-reading", "source-test")

    def post(self, request: HttpRequest, **kwargs: Any) -> HttpResponse:
        go = request.POST.get("go", "next")
        if go != "next" and go not in self.THEN:
            return super().post(request, **kwargs)
        setup.finish(self.train)
        drafts.forget(request, self.train.pk)
        messages.success(request, f"{self.train.name} is set up.")
        if go in self.THEN:
            return redirect("log-fact", self.train.pk, go)
        return redirect("train", self.train.pk)

    def more(self, form: Nothing) -> dict[str, Any]:
        held = placements.in_service(self.train)
        standing: list[Stage] = stages.standing(self.train)
        return {
            **super().more(form),
            "holds": [{"stage": s, "stay": held.get(s.pk)} for s in standing],
            "carbons": [s for s in standing if s.is_carbon],
            "restrictor": setup.first_restrictor(self.train),
            "meter": self.train.meters.filter(withdrawn_at__isnull=True).last(),
            "reading": setup.first_reading(self.train.source),
        }


@login_required
@require_POST
def discard(request: HttpRequest, train: int) -> HttpResponse:
    """Throw away a set-up that was begun."""
    begun = access.get(request, Train.objects.filter(set_up_at__isnull=True), train, to=To.WRITE)
    drafts.forget(request, train)
    setup.discard(begun)
    messages.success(request, f"{begun.name} is gone. You can begin afresh whenever you like.")
    return redirect("home")
