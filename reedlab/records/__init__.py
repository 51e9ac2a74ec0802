"""A maker's records: the tables declared once, read, checked, tidied and stored."""

from __future__ import annotations

from .bench import Bench
from .settings import Settings
from .tables import TABLES

__all__ = ["TABLES", "Bench", "Settings"]
