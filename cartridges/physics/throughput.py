"""Litres through the train: metered where a meter was read, the restrictor's law elsewhere."""

from __future__ import annotations

from .segments import METERED, RESTRICTOR, SHUT, Segments

__all__ = ["METERED", "RESTRICTOR", "SHUT", "Segments"]
