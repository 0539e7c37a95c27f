"""Every address of the site, filled in with objects of one household."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

from django.urls import URLPattern, URLResolver, get_resolver, reverse
from django.urls.converters import StringConverter
from django.utils import timezone

from cartridges.models import (
    CartridgeSpec,
    OwnFigure,
    SwitchPeriod,
    Train,
)
from cartridges.services import history_import
from hobbyhydro.households import invitations
from hobbyhydro.households.models import Membership, User
from schedule.models import Chore, Notice, NoticeKind
from schedule.services import feed_address, links

OPEN_TO_ALL = {"home", "cautions", "feed", "invitation", "letter-stop"}
# Whoever holds the secret in it may use it, signed in or not; nobody else can know it.
BY_SECRET = {"letter-stop"}
# Made for one person, here the owner, and unknown to everybody else.
FOR_ONE_PERSON = {"letter-link"}


@dataclass(frozen=True)
class Address:
    name: str
    path: str
    scoped: bool  # names an object, so that a stranger must get 404

    def __str__(self) -> str:
        return f"{self.name} {self.path}"


def named_patterns(patterns: list[URLPattern | URLResolver]) -> Iterator[URLPattern]:
    """Our own named addresses; those of the sign-in package are its own to test."""
    for pattern in patterns:
        if isinstance(pattern, URLResolver):
            if str(pattern.pattern) != "account/":
                yield from named_patterns(pattern.url_patterns)
        else:
            yield pattern


def objects_of(train: Train) -> dict[str, int | str]:
    """What stands in the addresses: an argument's name, and an object of this household."""
    household, now = train.household, timezone.now()
    stage = train.stages.get(position=2)
    spec = CartridgeSpec.objects.create(household=household, name="Our own", kind="carbon_block")
    own = OwnFigure.objects.create(
        household=household, spec=spec, figure="capacity_mg", value=9_000.0, at=now
    )
    switch = SwitchPeriod.objects.create(
        source=train.source, at=now + dt.timedelta(days=9), until=now + dt.timedelta(days=30)
    )
    history = history_import.receive(
        source=train.source,
        name="taps.csv",
        content=b"date,total chlorine mg/L\n2026-01-05,1.9\n",
        by=None,
    )
    matching = history_import.matching_of(history)
    assert matching is not None
    matching.origin = "own"
    history_import.keep(history, matching)
    owner = household.memberships.get(role=Membership.Role.OWNER).person
    offer = invitations.invite(
        household=household, email="guest@example.org", role=Membership.Role.KEEPER, by=owner
    )
    lodger = User.objects.create_user("lodger@example.org", name="Lodger")
    member = household.memberships.create(person=lodger, role=Membership.Role.VIEWER)
    notice = Notice.objects.create(
        person=owner,
        household=household,
        train=train,
        thing="swap:of the walk",
        kind=NoticeKind.DUE,
        due_on=timezone.localdate(),
        says={"title": "Replace the sediment cartridge", "path": f"/trains/{train.pk}/log/swap/"},
    )
    stop = links.to_stop(household.memberships.get(person=owner))
    chore = Chore.objects.create(
        household=household, title="Rinse", rule="FREQ=WEEKLY", start=timezone.localdate()
    )
    return {
        "chore": chore.pk,
        "turn": chore.turns.create(due_on=chore.start).pk,
        "feed_secret": feed_address.rotate(household.memberships.get(person=owner)),
        "household": household.pk,
        "invitation": offer.invitation.pk,
        "secret": offer.secret,
        "member": member.pk,
        "train": train.pk,
        "stage": stage.pk,
        "figure": own.pk,
        "figure-code": "capacity_mg",
        "kind": "meter-reading",
        "pk": train.meter_readings.earliest("at").pk,
        "cartridge": household.cartridges.earliest("pk").pk,
        "spec": spec.pk,
        "meter": train.meters.get().pk,
        "source": train.source_id,
        "switch": switch.pk,
        "history": history.pk,
        "errand": links.to_do(notice).split("/")[-2],
        "stop": stop.split("/")[-3],
    }


def every_address(train: Train) -> list[Address]:
    """All of them; an argument that nothing is known for is an error, so that none is left out."""
    known = objects_of(train)
    found = []
    for pattern in named_patterns(get_resolver().url_patterns):
        values = {}
        for argument, converter in pattern.pattern.converters.items():
            words = argument == "figure" and isinstance(converter, StringConverter)
            values[argument] = known["figure-code" if words else argument]
        path = reverse(pattern.name, kwargs=values)
        found.append(Address(str(pattern.name), path, scoped=bool(values)))
    return found
