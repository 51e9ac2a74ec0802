"""Benches and answers that several tests of the decisions share."""

from __future__ import annotations

import pandas as pd
import pytest

from reedlab.decide.suppliers.comparison import suppliers
from reedlab.records import Bench
from reedlab.simulate import simulate_bench


@pytest.fixture(scope="session")
def demo():
    return simulate_bench(seed=12)[0]


@pytest.fixture(scope="session")
def answer(demo):
    return suppliers(demo)


@pytest.fixture(scope="session")
def small_bench():
    return _small_bench


def _small_bench(rows, minutes=None):
    """A bench of rows (supplier, lot, month, good, failed) and minutes of the rough scrape."""
    lots = pd.DataFrame([(lot, s) for s, lot, *_ in rows], columns=["lot", "supplier"])
    lots = lots.drop_duplicates("lot").assign(
        quantity=50, quantity_unit="piece", price=100.0, currency="EUR", form="gouged"
    )
    reeds = [
        {"lot": lot, "tied_on": f"2025-{month:02d}-0{1 + i % 9}", "outcome": outcome}
        for _, lot, month, good, failed in rows
        for i, outcome in enumerate(["good"] * good + ["reject"] * failed)
    ]
    reeds = pd.DataFrame(reeds).assign(maker="KL", finish_min=15)
    reeds["rough_min"] = 12 + 7 * reeds.index % 11 if minutes is None else minutes
    reeds.insert(0, "reed", [str(i + 1) for i in range(len(reeds))])
    reeds["judged_on"] = reeds["tied_on"]
    return Bench.from_tables({"lots": lots, "reeds": reeds})
