"""Addresses of the whole site."""

from django.urls import include, path

urlpatterns = [
    path("", include("hobbyhydro.households.urls")),
    path("account/", include("allauth.account.urls")),
    path("", include("cartridges.urls")),
    path("", include("schedule.urls")),
]

handler400 = "hobbyhydro.households.views_errors.bad_request"
handler403 = "hobbyhydro.households.views_errors.forbidden"
handler404 = "hobbyhydro.households.views_errors.not_found"
handler500 = "hobbyhydro.households.views_errors.broken"
