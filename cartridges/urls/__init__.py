"""Addresses of the water train, one module a part of the work."""

from . import home, log, setup, shelf, source

urlpatterns = [
    *home.urlpatterns,
    *setup.urlpatterns,
    *log.urlpatterns,
    *shelf.urlpatterns,
    *source.urlpatterns,
]
