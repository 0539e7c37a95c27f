"""Addresses about people and households."""

from django.urls import include, path

from . import views, views_households, views_invitations, views_people

# Before the addresses of the sign-in package, so that this sign-up answers in its place.
sign_up = [path("signup/", views_invitations.SignUp.as_view(), name="account_signup")]

urlpatterns = [
    path("account/", include(sign_up)),
    path("you/", views.person, name="person"),
    path("household/", views_households.household, name="household"),
    path("household/events/", views_households.events, name="household-events"),
    path("household/invite/", views_invitations.invite, name="invite"),
    path(
        "household/invitations/<int:invitation>/revoke/",
        views_invitations.invitation_revoke,
        name="invitation-revoke",
    ),
    path("household/people/<int:member>/role/", views_people.member_role, name="member-role"),
    path("household/people/<int:member>/remove/", views_people.member_remove, name="member-remove"),
    path("household/leave/", views_people.leave, name="leave"),
    path("household/hand-over/", views_people.hand_over, name="hand-over"),
    path("households/new/", views_households.found, name="household-new"),
    path("households/<int:household>/switch/", views_households.switch, name="household-switch"),
    path("join/<str:secret>/", views_invitations.invitation, name="invitation"),
    path("cautions/", views.cautions, name="cautions"),
]
