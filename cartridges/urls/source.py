"""Addresses of the tap water and of imports into it."""

from django.urls import URLPattern, path

from cartridges.views import history_import, source

urlpatterns: list[URLPattern] = [
    path("water/<int:source>/", source.show, name="source"),
    path("water/<int:source>/edit/", source.edit, name="source-edit"),
    path("water/<int:source>/switches/new/", source.switch_new, name="switch-new"),
    path("switches/<int:switch>/correct/", source.switch_correct, name="switch-correct"),
    path("switches/<int:switch>/undo/", source.switch_undo, name="switch-undo"),
    path("switches/<int:switch>/redo/", source.switch_redo, name="switch-redo"),
    path("water/<int:source>/import/", history_import.start, name="import-start"),
    path("imports/<int:history>/", history_import.show, name="import"),
    path("imports/<int:history>/layout/", history_import.layout, name="import-layout"),
    path("imports/<int:history>/columns/", history_import.columns, name="import-columns"),
    path("imports/<int:history>/preview/", history_import.preview, name="import-preview"),
    path("imports/<int:history>/check/", history_import.check, name="import-check"),
    path("imports/<int:history>/errors.csv", history_import.errors, name="import-errors"),
    path("imports/<int:history>/take/", history_import.take, name="import-take"),
    path("imports/<int:history>/undo/", history_import.undo, name="import-undo"),
    path("imports/<int:history>/discard/", history_import.discard, name="import-discard"),
]
