"""Addresses about people and households."""

urlpatterns = []
