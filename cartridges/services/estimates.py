"""Keeps the Estimate rows true to what is written down."""

from __future__ import annotations

from cartridges.models import Train


def mark_stale(train: Train) -> None:
    """Something that the estimates rest on has changed."""
    train.stale = True
    train.save(update_fields=["stale"])
