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


@pytest.fixture(scope="session")
def bench():
    return _counted_bench()


def _counted_bench():
    """Two suppliers, a lot each; teal's counts are asked for below."""
    lots = pd.DataFrame({"lot": ["t", "p"], "supplier": ["teal", "plum"], "form": "gouged"})
    lots = lots.assign(quantity=40, quantity_unit="piece", price=80.0)
    outcomes = {
        "t": ["good"] * 14 + ["given_up"] * 3 + ["reject"] * 2 + ["broken"] + [None] * 4,
        "p": ["good"] * 12 + ["playable"] * 4 + ["reject"] * 8,
    }
    reeds = pd.DataFrame([(lot, o) for lot, many in outcomes.items() for o in many],
                         columns=["lot", "outcome"])  # fmt: skip
    reeds.insert(0, "reed", [f"R{i}" for i in range(len(reeds))])
    reeds["maker"] = "KL"
    reeds["tied_on"] = "2025-03-03"
    reeds["judged_on"] = reeds["outcome"].map(lambda o: None if o is None else "2025-03-10")
    reeds["rough_min"] = [10 + i % 7 for i in range(len(reeds))]
    reeds["finish_min"] = [12 + i % 5 for i in range(len(reeds))]
    good = reeds["outcome"] == "good"
    reeds["sold_for"] = [30.0 if g else None for g in good]
    reeds["returned_on"] = [f"2025-04-0{i + 1}" if i < 2 else None for i in range(len(reeds))]
    tally = pd.DataFrame({"lot": ["t", "t"], "date": "2025-03-01", "stage": ["sort", "shape"],
                          "pieces_in": [40, 34], "pieces_out": [34, 30]})  # fmt: skip
    return Bench.from_tables({"lots": lots, "reeds": reeds, "tally": tally})
