"""Addresses of labels."""

from django.urls import URLPattern, path

from schedule.views import labels

urlpatterns: list[URLPattern] = [
    path("trains/<int:train>/labels/", labels.labels, name="labels"),
]
