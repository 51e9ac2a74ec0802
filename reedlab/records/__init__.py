"""A maker's records: the tables declared once, read, checked, tidied and stored."""

from __future__ import annotations

from .bench import Bench, open_bench
from .marking import mark_workbook
from .settings import Settings
from .starting import new_bench
from .tables import TABLES

__all__ = ["TABLES", "Bench", "Settings", "mark_workbook", "new_bench", "open_bench"]
