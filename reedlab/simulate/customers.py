"""What the simulated makers record of strengths, sales and orders."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reedlab.records.tables import STRENGTHS, TABLES

_SHARE = (0.08, 0.26, 0.36, 0.22, 0.08)
"""Share of each strength among finished reeds."""
_CUSTOMERS = 14
_SHELF_DAYS = 45
"""A good reed older than this has been sold."""
_OPEN = (
    # label, reeds, days until due, customer, strength, price, weeks until the same again
    ("K7", 3, 8, "C05", "medium_soft", 30.0, None),
    ("M2", 20, 75, "C11", None, 28.0, None),
    ("P4", 4, 26, "C02", "medium", 30.0, 8),
)
"""The orders that are open on the last day."""


def with_customers(
    seed: int, tables: dict[str, pd.DataFrame], last_day: pd.Timestamp
) -> dict[str, pd.DataFrame]:
    """Add strengths, days of sale, customers and orders to a simulated bench.

    They come from random numbers of their own, so that the other columns stay as they are.
    """
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(17,)))
    reeds = tables["reeds"].copy()
    n = len(reeds)
    finished = reeds["finished_on"].notna() & reeds["outcome"].notna()
    strength = pd.Series(rng.choice(STRENGTHS, n, p=_SHARE), index=reeds.index)
    reeds["strength"] = strength.where(finished & (rng.random(n) < 0.8))
    good = (reeds["outcome"] == "good").fillna(False)
    after = pd.to_timedelta(rng.integers(0, 8, n), unit="D")
    old = reeds["judged_on"] < last_day - pd.Timedelta(days=_SHELF_DAYS)
    sold = good & (reeds["sold_for"].notna() | old)
    # Sold between the verdict and today, and before it came back.
    day = (reeds["judged_on"] + after).clip(upper=last_day)
    reeds["sold_on"] = day.mask(reeds["returned_on"] < day, reeds["judged_on"]).where(sold)
    who = pd.Series([f"C{i + 1:02d}" for i in rng.integers(0, _CUSTOMERS, n)], index=reeds.index)
    reeds["customer"] = who.where(sold & (rng.random(n) < 0.7))
    result = rng.choice(
        ["replaced", "refunded", "adjusted", "worn_out"], n, p=(0.45, 0.2, 0.2, 0.15)
    )
    reeds["return_result"] = pd.Series(result, index=reeds.index).where(
        reeds["returned_on"].notna()
    )
    orders = pd.DataFrame(
        _OPEN, columns=["order", "reeds", "days", "customer", "strength", "price", "every_weeks"]
    )
    orders["by"] = last_day + pd.to_timedelta(orders.pop("days"), unit="D")
    orders = orders.assign(style="long", staple="mine")
    orders = orders[[name for name in TABLES["orders"].columns if name in orders]]
    names = [name for name in TABLES["reeds"].columns if name in reeds]
    return tables | {"reeds": reeds[names], "orders": orders}
