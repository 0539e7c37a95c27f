"""Addresses of the whole site."""

from django.urls import include, path

urlpatterns = [
    path("account/", include("allauth.account.urls")),
    path("", include("hobbyhydro.households.urls")),
    path("", include("cartridges.urls")),
]
