"""A maker's records: tables declared once, read, checked, tidied and written.

What comes in is a folder or a workbook; what goes out is a `Bench`. Open `tables.py` first, then
`bench.py`.
"""

from __future__ import annotations

from reedlab.records.bench import Bench, open_bench
from reedlab.records.settings import Settings
from reedlab.records.tables import TABLES
from reedlab.records.write.marking import mark_workbook
from reedlab.records.write.starting import new_bench

__all__ = ["TABLES", "Bench", "Settings", "mark_workbook", "new_bench", "open_bench"]
