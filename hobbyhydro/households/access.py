"""The only door to anything that belongs to a household.

Every model that a view reaches names, in ``HOUSEHOLD``, the query path from itself to its
household. Views call :func:`get` for one object, :func:`listed` for several, and
:func:`household` for the one that the signed-in person stands in. A stranger gets 404, so that
nothing tells them whether the object exists; a viewer who tries to write gets 403.
"""

from __future__ import annotations

from enum import IntEnum
from typing import TypeVar, cast

from django.core.exceptions import PermissionDenied
from django.db import models
from django.http import Http404, HttpRequest

from .models import Household, Membership, User

M = TypeVar("M", bound=models.Model)


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


def household(request: HttpRequest, *, to: To = To.SEE) -> Household:
    """The household that the signed-in person stands in, if they may do that there."""
    place = membership(request)
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
    rows = source if isinstance(source, models.QuerySet) else source._default_manager.all()
    return rows.filter(**{_path(rows.model): membership(request).household_id})


def get(
    request: HttpRequest,
    source: type[M] | models.QuerySet[M],
    pk: int | str,
    *,
    to: To = To.SEE,
) -> M:
    """One object of the household of the moment, or 404; 403 where the role does not allow it."""
    found = listed(request, source).filter(pk=pk).first()
    if found is None:
        raise Http404
    allow(membership(request), to)
    return found


def _path(model: type[models.Model]) -> str:
    path = getattr(model, "HOUSEHOLD", None)
    if path is None:
        raise TypeError(f"{model.__name__} does not say which household it belongs to")
    return cast(str, path)
