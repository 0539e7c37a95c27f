"""Inviting somebody, and what the one who opens the link sees."""

from __future__ import annotations

from typing import Any

from allauth.account.views import SignupView
from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.contrib.auth.views import redirect_to_login
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.html import format_html
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from . import access, invitations, people
from .access import To
from .forms_people import InviteForm
from .invitations import InvitationGone, State
from .models import Invitation, User
from .people import PeopleError
from .views_households import household_page

OK, NOT_YOURS, UNKNOWN, GONE = 200, 403, 404, 410


@login_required
@require_POST
def invite(request: HttpRequest) -> HttpResponse:
    """Invite somebody by email."""
    home = access.household(request, to=To.GOVERN)
    form = InviteForm(request.POST)
    if form.is_valid():
        try:
            offer = invitations.invite(
                household=home, by=access.person(request), **form.cleaned_data
            )
        except PeopleError as refused:
            form.add_error(refused.field or None, refused.message)
        else:
            _mail(request, offer)
            return redirect("household")
    return household_page(request, home, invite=form)


def _mail(request: HttpRequest, offer: invitations.Offer) -> None:
    """Send the link and say so; an offer that no mail server takes is taken back."""
    link = request.build_absolute_uri(reverse("invitation", args=[offer.secret]))
    email = offer.invitation.email
    try:
        invitations.send(offer, link=link)
    except OSError:
        invitations.revoke(offer.invitation, by=access.person(request), why="could not be sent")
        messages.error(
            request,
            f"The mail to {email} could not be handed to the mail server, so nobody is invited. "
            "Please try again in a while.",
        )
        return
    if settings.DEMO:
        words = "{} is invited. The demo sends no mail; this is the link in it: "
        address = format_html('<a href="{0}">{0}</a>', link)
        messages.success(request, format_html(words + "{}", email, address))
    else:
        messages.success(request, f"An invitation is on its way to {email}.")


@login_required
@require_POST
def invitation_revoke(request: HttpRequest, invitation: int) -> HttpResponse:
    """Take an invitation back."""
    found = access.get(request, Invitation, invitation, to=To.GOVERN)
    try:
        invitations.revoke(found, by=access.person(request))
    except PeopleError as refused:
        messages.error(request, refused.message)
    else:
        messages.success(request, f"The link sent to {found.email} does not work any more.")
    return redirect("household")


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def invitation(request: HttpRequest, secret: str) -> HttpResponse:
    """What the link leads to: who invites to which household as what, and a button to join."""
    found = invitations.find(secret)
    if found is None:
        return _gone(request, "unknown", status=UNKNOWN)
    who = request.user if request.user.is_authenticated else None
    if who is not None and request.method == "POST":
        return _accept(request, found, who)
    if who is None and request.method == "POST":
        return redirect_to_login(request.path)
    return _shown(request, found, who, secret)


def _shown(request: HttpRequest, found: Invitation, who: User | None, secret: str) -> HttpResponse:
    mine = who is not None and invitations.is_for(found, who)
    if mine and any(p.household_id == found.household_id for p in access.places(request)):
        return render(request, "households/join_here.html", {"invitation": found})
    state = invitations.state_of(found)
    if state is not State.OPEN:
        return _gone(request, state.value)
    context = {
        "invitation": found,
        "may": people.MAY[found.role],
        "role": people.AS[found.role],
        "secret": secret,
    }
    if who is not None and not mine:
        return render(request, "households/join_other.html", context)
    return render(request, "households/join.html", context)


def _accept(request: HttpRequest, found: Invitation, who: User) -> HttpResponse:
    try:
        place, is_new = invitations.accept(found, person=who)
    except InvitationGone as gone:
        return _gone(request, gone.state.value)
    access.stand_in(request, place)
    home, role = place.household, people.AS[place.role]
    words = f"You belong to {home} now, as {role}." if is_new else f"You belong to {home} already."
    messages.success(request, words)
    return redirect("home")


def _gone(request: HttpRequest, state: str, *, status: int = GONE) -> HttpResponse:
    return render(request, "households/join_gone.html", {"state": state}, status=status)


class SignUp(SignupView):  # type: ignore[misc]  # the package comes without types
    """The sign-up, which carries an invitation through where the address names one."""

    def get_initial(self) -> dict[str, Any]:
        initial: dict[str, Any] = super().get_initial()
        found = self.invited()
        if found is not None:
            initial |= {"email": found.email, "invitation": self.secret()}
        return initial

    def get_context_data(self, **kwargs: Any) -> dict[str, Any]:
        context: dict[str, Any] = super().get_context_data(**kwargs)
        return context | {"invited": self.invited()}

    def secret(self) -> str:
        """What the form sends back, else what the address says."""
        asked = self.request.GET.get("invitation", "")
        return str(self.request.POST.get("invitation", asked))

    def invited(self) -> Invitation | None:
        """The open invitation that the address or the form names."""
        secret = self.secret()
        found = invitations.find(secret) if secret else None
        is_open = found is not None and invitations.state_of(found) is State.OPEN
        return found if is_open else None
