"""From the rows of the sheets to the reeds used: each count has its reasons, and pages agree."""

import re

import numpy as np
import pandas as pd
import pytest

import reedlab as rl
from reedlab.decide.evidence import gather
from reedlab.paths import shipped
from reedlab.records import Bench
from reedlab.records.flow import STEPS, sentence
from reedlab.report.words.sentences import findings_count


def bench(**columns) -> Bench:
    n = max(len(values) for values in columns.values() if isinstance(values, list))
    usual = {"reed": [f"R{i}" for i in range(1, n + 1)], "lot": "L1", "tied_on": "2024-03-05"}
    lots = pd.DataFrame({"lot": ["L1", "L2"], "supplier": ["Ochre", None]})
    return Bench.from_tables(
        {"lots": lots, "reeds": pd.DataFrame(usual | {"outcome": "good"} | columns)}
    )


MIXED = {
    "reed": ["1", "2", "3", "4", "5", "6", "6", "7"],
    "lot": ["L1", None, "L2", "L1", "L1", "L1", "L1", None],
    "tied_on": ["2024-03-05"] * 3 + [None] + ["2024-03-05"] * 3 + [None],
    "outcome": ["good", "reject", "good", "good", None, "perfect", "good", "good"],
}


def test_each_step_counts_and_gives_its_reasons():
    steps = bench(**MIXED).flow()
    assert steps["step"].tolist() == list(STEPS)
    assert steps["reeds"].tolist() == [8, 7, 5, 1, 1]
    assert steps["reason"].tolist() == [
        "",
        "1 has the label of an earlier row",
        "1 has no outcome yet, 1 has an outcome that cannot be read",
        "2 have no lot, 1 has no supplier, 1 has no day",  # each reed for its first reason
        "",
    ]


def test_what_is_left_out_adds_up():
    for made in (bench(**MIXED), rl.demo_bench(), rl.open_bench(shipped("data") / "messy")):
        steps = made.flow("form")
        out = [sum(map(int, re.findall(r"\d+", reason))) for reason in steps["reason"]]
        np.testing.assert_array_equal(-np.diff(steps["reeds"]), out[1:])


def test_rows_that_are_no_reeds_are_counted_with_their_reasons():
    skipped = pd.DataFrame(
        {
            "table": ["reeds", "reeds", "reeds", "lots"],
            "row": [9, 10, 11, 12],
            "reason": ["total", "total", "empty", "title"],
        }
    )
    made = bench(reed=["1", "2"])
    made = Bench(None, made.settings, made.tables, made.findings, made.today, skipped)
    steps = made.flow()
    assert steps["reeds"].tolist()[:2] == [4, 2]
    assert steps["reason"].iloc[1] == "2 are totals"
    assert sentence(steps).endswith("Of 4 rows, 2 are totals.")


def test_reeds_tied_too_late_are_usable_and_not_used():
    days = pd.date_range("2024-01-01", periods=40)
    judged = days + pd.to_timedelta([7] * 37 + [2] * 3, unit="D")  # three are known sooner
    made = bench(
        tied_on=[f"{day:%Y-%m-%d}" for day in days],
        judged_on=[f"{day:%Y-%m-%d}" for day in judged],
    )
    steps = made.flow().set_index("step")
    late = (made.reeds["tied_on"] > made.cutoff).sum()
    assert late == 3
    assert steps.loc["usable", "reeds"] - steps.loc["used here", "reeds"] == late
    assert steps.loc["used here", "reason"] == f"{late} were tied too late to judge fairly"


def test_a_bench_that_names_no_supplier_does_without():
    reeds = pd.DataFrame({"reed": ["1"], "lot": "L1", "tied_on": "2024-03-05", "outcome": "good"})
    assert Bench.from_tables({"reeds": reeds}).flow()["reeds"].tolist() == [1, 1, 1, 1, 1]


def test_what_an_answer_needs_too_is_one_more_reason():
    steps = bench(reed=["1", "2"], opening=["small", None]).flow("opening")
    assert steps[["reeds", "reason"]].iloc[-1].tolist() == [1, "1 has no opening"]


@pytest.mark.parametrize(
    ("reeds", "says"),
    [
        ({"outcome": ["good", "good"]}, "All your 2 judged reeds could be used."),
        ({"outcome": ["good"]}, "Your one judged reed could be used."),
        ({"lot": [None, "L1"]}, "1 of your 2 judged reeds could be used: 1 has no lot."),
        ({"outcome": [None]}, "Of 1 reed, 1 has no outcome yet."),
    ],
)
def test_the_flow_in_words(reeds, says):
    assert sentence(bench(**reeds).flow()) == says


def test_no_reed_is_said_to_be_none():
    assert sentence(Bench.from_tables({}).flow()) == "No reed is recorded yet."


def test_pages_count_from_the_same_flow():
    made = rl.open_bench(shipped("data") / "demo")
    settled = made.flow()["reeds"].iloc[-1]
    assert len(gather(made).settled) == settled
    assert rl.losses(made).judged == settled
    steps = made.flow(settled=False)  # outcomes that are pending are drawn, so all reeds count
    assert len(gather(made).reeds) == steps["reeds"].iloc[-1] > settled
    assert sentence(steps) in gather(made).notes
    assert findings_count(made).splitlines()[0] == sentence(steps)
