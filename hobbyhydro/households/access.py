"""The only door to anything that belongs to a household.

Every model that a view reaches names, in ``HOUSEHOLD``, the query path from itself to its
household. Views call :func:`get` for one object, :func:`listed` for several, and
:func:`household` for the one that the signed-in person stands in. A stranger gets 404, so that
nothing tells them whether the object exists; a viewer who tries to write gets 403.

One who belongs to several households stands in one of them at a time. The address of an object of
another of their own moves them there, with a word that it did. A request reaches objects of one
household only: once it has touched one, it does not move any more.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Any, Final, TypeVar, cast

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db import models
from django.http import Http404, HttpRequest
from django.utils import timezone

from .models import Household, Membership, User

M = TypeVar("M", bound=models.Model)

SESSION_KEY: Final = "household"  # the household of the moment, by primary key


class To(IntEnum):
    """What somebody wants to do with the object."""

    SEE = 0
    WRITE = 1
    GOVERN = 2


def person(request: HttpRequest) -> User:
    """The signed-in person; 404 for anybody else."""
    if not request.user.is_authenticated:
        raise Http404
    return request.user


def membership(request: HttpRequest) -> Membership:
    """The place that the signed-in person acts from now (their household of the moment)."""
    found: Membership | None = getattr(request, "membership", None)
    if found is None:
        raise Http404
    return found


def places(request: HttpRequest) -> list[Membership]:
    """All places of the signed-in person, the oldest first, each with its household."""
    found: list[Membership] = getattr(request, "memberships", [])
    return found


def enter(request: HttpRequest, *, places: list[Membership], place: Membership | None) -> None:
    """Tell the request which places its person has, and which they act from."""
    asked = cast(Any, request)  # HttpRequest has no slots for these
    asked.memberships, asked.membership = places, place
    asked.is_settled = False


def stand_in(request: HttpRequest, place: Membership) -> None:
    """Act from this place: for the rest of this request, and in those after it."""
    others = [p for p in places(request) if p.household_id != place.household_id]
    found = sorted([*others, place], key=lambda p: (p.since, p.pk))
    enter(request, places=found, place=place)
    request.session[SESSION_KEY] = place.household_id
    timezone.activate(place.household.zone)


def household(request: HttpRequest, *, to: To = To.SEE) -> Household:
    """The household that the signed-in person stands in, if they may do that there."""
    place = membership(request)
    _settle(request)
    allow(place, to)
    return place.household


def allow(place: Membership, to: To) -> None:
    """Raise PermissionDenied unless this place allows it."""
    if (to is To.WRITE and not place.may_write) or (to is To.GOVERN and not place.may_govern):
        raise PermissionDenied(
            "You can see this household but not change it. Its owner can make you a keeper."
            if to is To.WRITE
            else "Only an owner of the household can change this."
        )


def listed(request: HttpRequest, source: type[M] | models.QuerySet[M]) -> models.QuerySet[M]:
    """The objects of that kind that belong to the household of the moment."""
    place = membership(request)
    _settle(request)
    return _of(place, source)


def get(
    request: HttpRequest,
    source: type[M] | models.QuerySet[M],
    pk: int | str,
    *,
    to: To = To.SEE,
) -> M:
    """One object of the household of the moment, or of another of the person's own, where they
    stand from then on; 404 for any other, 403 where the role there does not allow it."""
    place = membership(request)
    found = _of(place, source).filter(pk=pk).first()
    if found is None:
        place, found = _elsewhere(request, source, pk)
        stand_in(request, place)
        messages.info(
            request,
            f"This belongs to {place.household}, so that is where you are now.",
            fail_silently=True,  # a request without a session of messages has nobody to tell
        )
    _settle(request)
    allow(place, to)
    return found


def _elsewhere(
    request: HttpRequest, source: type[M] | models.QuerySet[M], pk: int | str
) -> tuple[Membership, M]:
    """The object and the place, where it belongs to another household of the same person."""
    here = membership(request)
    if not getattr(request, "is_settled", False):
        for place in places(request):
            found = None if place.pk == here.pk else _of(place, source).filter(pk=pk).first()
            if found is not None:
                return place, found
    raise Http404


def _settle(request: HttpRequest) -> None:
    cast(Any, request).is_settled = True


def _of(place: Membership, source: type[M] | models.QuerySet[M]) -> models.QuerySet[M]:
    """Those that belong to the household of that place."""
    rows = source if isinstance(source, models.QuerySet) else source._default_manager.all()
    return rows.filter(**{_path(rows.model): place.household_id})


def _path(model: type[models.Model]) -> str:
    path = getattr(model, "HOUSEHOLD", None)
    if path is None:
        raise TypeError(f"{model.__name__} does not say which household it belongs to")
    return cast(str, path)
