"""Addresses about people and households."""

from django.urls import path

from . import views

urlpatterns = [
    path("you/", views.person, name="person"),
    path("household/", views.household, name="household"),
    path("cautions/", views.cautions, name="cautions"),
]
