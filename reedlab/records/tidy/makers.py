"""Whose work a row is, where the row does not say."""

from __future__ import annotations

import pandas as pd

from reedlab.records.settings import Settings

ONE = "me"
"""The maker of a bench that names none."""

_DAY = {"reeds": "tied_on", "sittings": "date", "tally": "date"}
"""The tables with a maker, and the day on which `[[usual]]` is asked."""


def name_makers(tables: dict[str, pd.DataFrame], settings: Settings) -> None:
    """Fill empty makers: from the settings of that day, else the bench's, else one maker for all.

    Parameters
    ----------
    tables : dict of str to pandas.DataFrame
        Typed frames. Where other rows name makers and the settings none, a cell stays empty.
    settings : Settings
        Its ``maker``, and the ``maker`` of each usual set-up.
    """
    usual = [u for u in reversed(settings.usual) if "maker" in u.values]
    nowhere = not usual and all(tables[name]["maker"].isna().all() for name in _DAY)
    everywhere = settings.maker or (ONE if nowhere else None)
    for name, day in _DAY.items():
        maker = tables[name]["maker"]
        if maker.notna().all():
            continue
        for one in usual:
            applies = tables[name][day] >= pd.Timestamp(one.since)
            maker = maker.where(maker.notna() | ~applies, one.values["maker"])
        maker = maker if everywhere is None else maker.fillna(everywhere)
        tables[name] = tables[name].assign(maker=maker)
