"""Days of reeds of which only the month is known: good for the season, not for counting days."""

from __future__ import annotations

import pandas as pd


def exact(reeds: pd.DataFrame, day: str) -> pd.Series:
    """Return the days of a column, without those of which only the month is known.

    >>> tied = pd.to_datetime(["2024-04-01", "2024-04-01"])
    >>> reeds = pd.DataFrame({"tied_on": tied, "month_only": [None, "tied_on"]})
    >>> exact(reeds, "tied_on").isna().tolist()
    [False, True]
    """
    return reeds[day].mask(by_month(reeds, day))


def by_month(reeds: pd.DataFrame, day: str) -> pd.Series:
    """Say of each reed whether only the month of a day is known; the day is then its first."""
    if "month_only" not in reeds or reeds["month_only"].isna().all():
        return pd.Series(False, index=reeds.index)
    return reeds["month_only"].str.contains(rf"\b{day}\b", na=False).astype(bool)


def middle(reeds: pd.DataFrame, day: str) -> pd.Series:
    """Return the days of a column; the 15th where only the month is known."""
    return reeds[day].mask(by_month(reeds, day), reeds[day] + pd.Timedelta(days=14))
