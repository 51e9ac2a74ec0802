"""Whose work a row is, where the row does not say."""

from __future__ import annotations

import pandas as pd

from reedlab.records.findings import Findings
from reedlab.records.settings import Settings

ONE = "me"
"""The maker of rows that name none."""

_DAY = {"reeds": "tied_on", "sittings": "date", "tally": "date"}
"""The tables with a maker, and the day on which `[[usual]]` is asked."""


def name_makers(tables: dict[str, pd.DataFrame], settings: Settings, found: Findings) -> None:
    """Fill empty makers: from the settings of that day, else the bench's, else one for all of them.

    Parameters
    ----------
    tables : dict of str to pandas.DataFrame
        Typed frames.
    settings : Settings
        Its ``maker``, and the ``maker`` of each usual set-up.
    found : Findings
        Receives, once a table, how many rows name none where others do.
    """
    usual = [u for u in reversed(settings.usual) if "maker" in u.values]
    named = bool(usual) or any(tables[name]["maker"].notna().any() for name in _DAY)
    for name, day in _DAY.items():
        maker = tables[name]["maker"]
        if maker.notna().all():
            continue
        for one in usual:
            applies = tables[name][day] >= pd.Timestamp(one.since)
            maker = maker.where(maker.notna() | ~applies, one.values["maker"])
        unnamed = int(maker.isna().sum())
        if unnamed and named and not settings.maker:
            rows = "1 row, which counts" if unnamed == 1 else f"{unnamed} rows, which count"
            found.add(name, None, "maker", None, "warning",
                      f"is empty in {rows} as one maker's, {ONE}: other rows name theirs",
                      'fill it in, or write maker = "..." once in bench.toml')  # fmt: skip
        tables[name] = tables[name].assign(maker=maker.fillna(settings.maker or ONE))
