"""Whose work a row is, where the row does not say."""

from __future__ import annotations

import pandas as pd

from reedlab.records.findings import Findings
from reedlab.records.settings import Settings

ONE = "me"
"""The maker of rows that name none."""

_DAY = {"reeds": "tied_on", "sittings": "date", "tally": "date"}
"""The tables with a maker, and the day on which `[[usual]]` is asked."""
_SAID = ("reeds", "sittings")
"""Those in which it matters to an answer who the maker is."""


def name_makers(tables: dict[str, pd.DataFrame], settings: Settings, found: Findings) -> None:
    """Fill empty makers: from the settings of that day, else the bench's, else one for all of them.

    `found` receives, once for reeds and for sittings, how many rows name none where others do.
    """
    usual = [u for u in reversed(settings.usual) if "maker" in u.values]
    named = bool(usual) or any(tables[name]["maker"].notna().any() for name in _DAY)
    for name, day in _DAY.items():
        maker = tables[name]["maker"]
        if maker.notna().all():
            continue
        wrong = maker.index.isin(list(found.wrong(name, "maker")))  # such a cell is not empty
        for one in usual:
            applies = (tables[name][day] >= pd.Timestamp(one.since)) & ~wrong
            maker = maker.where(maker.notna() | ~applies, one.values["maker"])
        unnamed = maker[maker.isna() & ~wrong].index
        if len(unnamed) and named and not settings.maker and name in _SAID:
            more = f" and in {len(unnamed) - 1} more rows" if len(unnamed) > 1 else ""
            found.add(name, int(unnamed[0]), "maker", None, "warning",
                      f"is empty here{more}, where other rows name a maker: counts as {ONE}",
                      'fill it in, or write maker = "..." once in bench.toml')  # fmt: skip
        maker = maker.where(maker.notna() | wrong, settings.maker or ONE)
        tables[name] = tables[name].assign(maker=maker)
