"""Addresses of logging, of single facts and of the logbook."""

from django.urls import URLPattern, path

from cartridges.views import log, log_fact, logbook

urlpatterns: list[URLPattern] = [
    path("trains/<int:train>/log/", log.menu, name="log"),
    path("trains/<int:train>/log/<slug:kind>/", log.act, name="log-fact"),
    path("trains/<int:train>/logbook/", logbook.logbook, name="logbook"),
    path("trains/<int:train>/logbook/csv/", logbook.logbook_csv, name="logbook-csv"),
    path("facts/<slug:kind>/<int:pk>/", log_fact.fact, name="fact"),
    path("facts/<slug:kind>/<int:pk>/correct/", log_fact.correct, name="fact-correct"),
    path("facts/<slug:kind>/<int:pk>/undo/", log_fact.undo, name="fact-undo"),
    path("facts/<slug:kind>/<int:pk>/redo/", log_fact.redo, name="fact-redo"),
]
