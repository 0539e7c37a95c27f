"""The pages shown when something is not there, not allowed, not readable or broken."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    return render(request, "400.html", status=400)


def forbidden(request: HttpRequest, exception: Exception) -> HttpResponse:
    """Says why, in the words of whoever refused (``households.access``)."""
    return render(request, "403.html", {"why": str(exception)}, status=403)


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    return render(request, "404.html", status=404)


def broken(request: HttpRequest) -> HttpResponse:
    """Needs neither the database nor a person: either may be what broke."""
    return render(None, "500.html", status=500)
