"""Who belongs to a household and what they may do. Each act is whole or not at all, holds the
household's row while it looks and writes, and leaves an event that says who did it.

A household always has an owner. Whoever acts is looked up again under the lock, so that of two
owners who demote each other at one moment the second is told that they own it no longer.
"""

from __future__ import annotations

from typing import Final

from allauth.account.models import EmailAddress
from django.core.exceptions import PermissionDenied
from django.db import transaction

from .models import Household, HouseholdEvent, Membership, User

Role = Membership.Role
MAY: Final[dict[str, str]] = {
    Role.OWNER: "sees, logs, and changes the household and who belongs to it",
    Role.KEEPER: "sees and logs",
    Role.VIEWER: "sees",
}
AS: Final[dict[str, str]] = {
    Role.OWNER: "an owner",
    Role.KEEPER: "a keeper",
    Role.VIEWER: "a viewer",
}
GONE: Final = "gone"  # what may become of one who hands over, beside keeper and viewer


class PeopleError(ValueError):
    """Something that cannot be done as asked; ``field`` is the form field to say it beside."""

    def __init__(self, message: str, *, field: str = "") -> None:
        super().__init__(message)
        self.field = field
        self.message = message


def note(household: Household, *, by: User | None, says: str) -> HouseholdEvent:
    """Write down what happened to the household."""
    longest = HouseholdEvent._meta.get_field("says").max_length or 0
    words = says if len(says) <= longest else says[: longest - 1] + "…"
    return HouseholdEvent.objects.create(household=household, by=by, says=words)


def hold(household_id: int) -> Household:
    """The household, its row locked until the transaction ends."""
    return Household.objects.select_for_update().get(pk=household_id)


def must_govern(household: Household, person: User) -> None:
    """Raise PermissionDenied unless the person owns the household at this moment."""
    if not household.memberships.filter(person=person, role=Role.OWNER).exists():
        raise PermissionDenied("Only an owner of the household can change this.")


def addresses(person: User) -> set[str]:
    """The email addresses that are known to be the person's, in lower case."""
    proven = EmailAddress.objects.filter(user=person, verified=True).values_list("email", flat=True)
    return {person.email.lower(), *(address.lower() for address in proven)}


def member_by_email(household: Household, email: str) -> User | None:
    """Who of the household has that address, if anybody has."""
    people = household.people.filter(email__iexact=email)
    proven = household.people.filter(emailaddress__email__iexact=email, emailaddress__verified=True)
    return people.first() or proven.first()


@transaction.atomic
def set_role(place: Membership, role: str, *, by: User) -> Membership:
    """Let somebody do more or less in the household."""
    home = hold(place.household_id)
    must_govern(home, by)
    fresh = _as_it_is_now(place)
    if fresh.role == role:
        return fresh
    if role != Role.OWNER:
        _leave_an_owner(home, fresh)
    fresh.role = role
    fresh.save(update_fields=["role"])
    note(home, by=by, says=f"{fresh.person} became {AS[role]}")
    return fresh


@transaction.atomic
def remove(place: Membership, *, by: User) -> None:
    """Take somebody out of the household; what they logged stays."""
    home = hold(place.household_id)
    must_govern(home, by)
    fresh = _as_it_is_now(place)
    _leave_an_owner(home, fresh)
    fresh.delete()
    note(home, by=by, says=f"{fresh.person} was taken out of the household")


@transaction.atomic
def leave(place: Membership) -> None:
    """Leave the household; what one logged stays."""
    home = hold(place.household_id)
    fresh = _as_it_is_now(place)
    _leave_an_owner(home, fresh)
    fresh.delete()
    note(home, by=fresh.person, says=f"{fresh.person} left")


@transaction.atomic
def hand_over(place: Membership, *, to: Membership, then: str) -> None:
    """Make somebody else an owner in one's place, and be keeper, viewer or gone from then on."""
    home = hold(place.household_id)
    must_govern(home, place.person)
    mine, theirs = _as_it_is_now(place), _as_it_is_now(to)
    if theirs.household_id != home.pk or theirs.pk == mine.pk:
        raise PeopleError("Choose somebody else of this household.", field="to")
    theirs.role = Role.OWNER
    theirs.save(update_fields=["role"])
    if then == GONE:
        mine.delete()
        note(home, by=mine.person, says=f"{mine.person} handed over to {theirs.person} and left")
        return
    mine.role = then
    mine.save(update_fields=["role"])
    note(
        home,
        by=mine.person,
        says=f"{mine.person} handed over to {theirs.person} and stays as {AS[then]}",
    )


def _as_it_is_now(place: Membership) -> Membership:
    """The place as it stands under the lock."""
    fresh = Membership.objects.select_related("person").filter(pk=place.pk).first()
    if fresh is None:
        raise PeopleError("Somebody changed this in the meantime: they belong here no longer.")
    return fresh


def _leave_an_owner(household: Household, place: Membership) -> None:
    """Refuse what would leave the household without an owner."""
    others = household.memberships.exclude(pk=place.pk)
    if place.role != Role.OWNER or others.filter(role=Role.OWNER).exists():
        return
    if others.exists():
        raise PeopleError(
            f"{place.person} is the only owner. A household needs one, so hand it over first."
        )
    raise PeopleError(
        f"{place.person} is the only one here, and a household needs an owner. Invite somebody "
        "and hand it over first."
    )
