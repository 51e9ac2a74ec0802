"""Checks of typed tables."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from .findings import Findings
from .settings import Settings


def check_tables(tables: Mapping[str, pd.DataFrame], settings: Settings, found: Findings) -> None:
    """Look for what is wrong."""
