"""Labels: one a housing, and a code that a second reader finds the right form behind."""

from __future__ import annotations

import datetime as dt
import re
from urllib.parse import urlsplit

import numpy as np
import pytest
import segno
import zxingcpp
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from pytest_django import Settings

from cartridges.models import Train
from cartridges.services import acts, estimates, placements
from hobbyhydro.households.models import User
from schedule.models import PlannedSwap, PlannedVisit, PlanSummary
from schedule.services import labels, plan

PIXELS_A_MODULE = 4


@pytest.fixture(autouse=True)
def plan_as_it_stands(monkeypatch: pytest.MonkeyPatch) -> None:
    """The page makes the plan if it is behind; most of what it shows does not depend on it."""
    monkeypatch.setattr("schedule.views.labels.plan.ensure", lambda train: None)


@pytest.fixture
def planned(train: Train, settings: Settings) -> Train:
    """A train whose plan is made."""
    settings.MODEL_MEMBERS = 64
    estimates.refresh(train)
    plan.replan(train)
    return train


def where(train: Train) -> str:
    return reverse("labels", args=[train.pk])


def read(client: Client, train: Train, **asked: str) -> str:
    answer = client.get(where(train), asked)
    assert answer.status_code == 200
    return answer.content.decode()


def one_by_one(page: str) -> list[str]:
    """The labels of the page, each as its own text."""
    return re.findall(r'<li class="label">.*?</li>', page, re.DOTALL)


def pixels(svg: str) -> np.ndarray:
    """The picture of a code, drawn from its SVG alone: black where its dark path runs."""
    box = re.search(r'viewBox="0 0 (\d+) (\d+)"', svg)
    path = re.search(r'stroke="#000" d="([^"]+)"', svg)
    assert box and path
    field = np.full((int(box[2]), int(box[1])), 255, dtype=np.uint8)
    x = y = 0.0
    for letter, first, second in re.findall(r"([Mmh])(-?[\d.]+)(?: (-?[\d.]+))?", path[1]):
        if letter == "h":
            field[int(y), int(x) : int(x + float(first))] = 0
            x += float(first)
        else:
            start = (0.0, 0.0) if letter == "M" else (x, y)
            x, y = start[0] + float(first), start[1] + float(second)
    scale = np.ones((PIXELS_A_MODULE, PIXELS_A_MODULE), dtype=np.uint8)
    return np.kron(field, scale)


def decoded(svg: str) -> str:
    """What a reader of QR codes, which is not the library that drew it, finds there."""
    found = zxingcpp.read_barcodes(pixels(svg))
    assert [one.format for one in found] == [zxingcpp.BarcodeFormat.QRCode]
    return str(found[0].text)


# The code


@pytest.mark.parametrize(
    "address",
    [
        "http://127.0.0.1:8000/trains/1/log/swap/?stage=1",
        "https://water.example.org/trains/123456/log/swap/?stage=987654",
        "https://a-rather-long-name-of-a-host.in-a-longer-domain.example.org:8443/trains/7/log/swap/"
        "?stage=21",
    ],
)
def test_a_second_reader_reads_the_address_back(address: str) -> None:
    assert decoded(labels.code(address)) == address


def test_the_code_bears_a_quarter_of_it_lost() -> None:
    # ISO/IEC 18004: level Q restores about 25 % of the codewords (value from memory).
    drawn = segno.make(
        "https://water.example.org/trains/1/log/swap/?stage=1", error="q", micro=False
    )
    picture = pixels(labels.code("https://water.example.org/trains/1/log/swap/?stage=1"))
    assert drawn.error == "Q"
    middle = picture.shape[0] // 2
    smudge = 4 * PIXELS_A_MODULE
    picture[middle - smudge : middle + smudge, middle - smudge : middle + smudge] = 255
    [found] = zxingcpp.read_barcodes(picture)
    assert found.text == "https://water.example.org/trains/1/log/swap/?stage=1"


def test_four_light_modules_surround_the_code() -> None:
    # ISO/IEC 18004, the quiet zone: four modules on each side (value from memory).
    picture = pixels(labels.code("https://water.example.org/"))
    quiet = 4 * PIXELS_A_MODULE
    assert (picture[:quiet] == 255).all() and (picture[-quiet:] == 255).all()
    assert (picture[:, :quiet] == 255).all() and (picture[:, -quiet:] == 255).all()
    assert (picture[quiet, quiet : quiet + 7 * PIXELS_A_MODULE] == 0).all()  # a finder pattern


def test_the_code_has_no_style_of_its_own() -> None:
    svg = labels.code("https://water.example.org/")
    assert "style" not in svg and "<script" not in svg


# The page


def test_works(as_keeper: Client, train: Train) -> None:
    page = read(as_keeper, train)
    found = one_by_one(page)
    assert len(found) == 3
    for position, (label, stay) in enumerate(
        zip(found, placements.in_service(train).values(), strict=True), start=1
    ):
        assert f"Stage {position} <span>of 3</span>" in label
        assert train.name in label
        assert f"{stay.cartridge.spec.name}, no. {stay.cartridge.number}" in label
        assert f"{timezone.localtime(stay.start):%-d %b %Y}" in label
        assert f"as of {timezone.localdate():%-d %b %Y}" in label


def test_each_code_opens_the_form_of_its_stage(as_keeper: Client, train: Train) -> None:
    found = one_by_one(read(as_keeper, train))
    for label, stage in zip(found, train.stages.order_by("position"), strict=True):
        svg = re.search(r"<svg[^>]*label-code.*?</svg>", label, re.DOTALL)
        assert svg is not None
        address = urlsplit(decoded(svg[0]))
        assert (address.scheme, address.netloc) == ("http", "testserver")
        form = as_keeper.get(f"{address.path}?{address.query}").context["form"]
        assert form["stage"].value() == stage.pk


def test_the_day_is_that_of_the_plan(as_keeper: Client, planned: Train) -> None:
    found = one_by_one(read(as_keeper, planned))
    here = placements.in_service(planned)
    for label, stage in zip(found, planned.stages.order_by("position"), strict=True):
        swap = PlannedSwap.objects.filter(stage=stage, replaces=here[stage.pk].cartridge).first()
        assert swap is not None
        assert f"Replace by<strong>{swap.visit.on:%-d %b %Y}</strong>" in label


def test_a_carbon_that_is_moved_forward_says_so(train: Train) -> None:
    on = timezone.localdate() + dt.timedelta(days=30)
    visit = PlannedVisit.objects.create(
        train=train, on=on, computed_at=timezone.now(), fingerprint="x"
    )
    first, here = train.stages.get(position=2), placements.in_service(train)
    PlannedSwap.objects.create(
        visit=visit, stage=first, spec=here[first.pk].cartridge.spec,
        replaces=here[first.pk].cartridge, rotation=True, due_on=on,
    )  # fmt: skip
    sediment, lead, lag = labels.labels(train, absolute=str)
    assert (sediment.open_by, lead.open_by, lag.open_by) == (None, on, on)
    assert (lead.moves, lag.moves) == (False, True)


def test_an_empty_housing_is_called_empty(as_keeper: Client, train: Train, keeper: User) -> None:
    acts.empty(stage=train.stages.get(position=1), at=timezone.now(), by=keeper)
    label = one_by_one(read(as_keeper, train))[0]
    assert "nothing" in label and "Replace by" not in label


def test_a_train_without_a_plan_has_labels_all_the_same(as_keeper: Client, train: Train) -> None:
    assert "Replace by<strong>not known yet</strong>" in one_by_one(read(as_keeper, train))[0]
    problem = {"problem": "No restrictor is known."}
    PlanSummary.objects.create(
        train=train,
        computed_at=timezone.now(),
        fingerprint="x",
        horizon_on=timezone.localdate(),
        details=problem,
    )
    assert "Replace by<strong>not known yet</strong>" in one_by_one(read(as_keeper, train))[0]
    PlanSummary.objects.update(details={"problem": ""})
    assert "Not due<strong>within 2 years</strong>" in one_by_one(read(as_keeper, train))[0]


def test_the_plan_is_made_where_it_is_behind(
    as_keeper: Client, train: Train, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[Train] = []
    monkeypatch.setattr("schedule.views.labels.plan.ensure", asked.append)
    read(as_keeper, train)
    assert asked == [train]


@pytest.mark.parametrize(("flow", "arrow"), [("right", "M240 14 210"), ("left", "M0 14 30")])
def test_the_arrow_shows_the_direction(
    as_keeper: Client, train: Train, flow: str, arrow: str
) -> None:
    label = one_by_one(read(as_keeper, train, flow=flow))[0]
    ends = re.findall(r"<span>(in|out)</span>", label)
    assert arrow in label
    assert ends == (["in", "out"] if flow == "right" else ["out", "in"])


@pytest.mark.parametrize(
    ("units", "asked", "sheet"),
    [
        ("us", {}, "labels_letter"),
        ("metric", {}, "labels_a4"),
        ("us", {"paper": "a4"}, "labels_a4"),
        ("metric", {"paper": "letter"}, "labels_letter"),
        ("us", {"paper": "<papyrus>", "flow": "<up>"}, "labels_letter"),
    ],
)
def test_the_paper_is_the_readers(
    as_keeper: Client, keeper: User, train: Train, units: str, asked: dict[str, str], sheet: str
) -> None:
    keeper.units = units
    keeper.save(update_fields=["units"])
    page = read(as_keeper, train, **asked)
    assert f"css/{sheet}.css" in page and "<papyrus>" not in page and "<up>" not in page


def test_viewer_may_print(as_viewer: Client, train: Train) -> None:
    assert len(one_by_one(read(as_viewer, train))) == 3


def test_hides_from_strangers(as_stranger: Client, train: Train) -> None:
    assert as_stranger.get(where(train)).status_code == 404


def test_rejects_post(as_keeper: Client, train: Train) -> None:
    assert as_keeper.post(where(train)).status_code == 405
