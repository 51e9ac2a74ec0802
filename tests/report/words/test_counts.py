"""The first page's counts in words, from the first reed on."""

import numpy as np
import pandas as pd
import pytest

from reedlab.decide.losses_by_stage import losses
from reedlab.records import Bench
from reedlab.report.words import counts


def bench_of(*outcomes, **more):
    n = len(outcomes)
    reeds = {"reed": [str(i) for i in range(n)], "lot": ["L1"] * n, "maker": ["A"] * n,
             "tied_on": ["2025-01-07"] * n, "outcome": list(outcomes), **more}  # fmt: skip
    lots = pd.DataFrame({"lot": ["L1"], "supplier": ["ochre"]})
    return Bench.from_tables({"lots": lots, "reeds": pd.DataFrame(reeds)})


def said(*outcomes, **more):
    bench = bench_of(*outcomes, **more)
    return counts.records_sentence(bench.reeds, losses(bench), counts.recorded(bench.reeds))


@pytest.mark.parametrize("column", ["rough_min", "finish_min"])
def test_minutes_are_known_where_both_are(column):
    known = counts.recorded(bench_of("good", **{column: [20]}).reeds).set_index("column")
    assert known.loc["scrape_min", ["known", "of"]].tolist() == [0, 1]


def test_the_sentence():
    assert said("good", "reject", "reject", lost_at=[None, "clip", None]) == (
        "Of 3 reeds with an outcome and tied long enough ago to be judged, 1 turned out well "
        "(33%); no reeds of all 3 are still pending. The stage that loses most is 'clip', with 1 "
        "of 3. Least is known of rough_min and finish_min (0% of the reeds that could have it): "
        "note it if you want to know what a good reed costs."
    )
    assert said("good", "reject").split(". ")[1].startswith("Where reeds are lost is not noted")
    assert said(None, None).startswith("No reed has an outcome that was tied long enough ago")
    assert said().startswith("No reed is recorded yet")


# Newcombe, R. G. (1998). Two-sided confidence intervals for the single proportion: comparison of
# seven methods. Statistics in Medicine 17, 857-872, table I, method 3 (score, without continuity
# correction).
NEWCOMBE = [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611),
            (1, 29, 0.0061, 0.1718)]  # fmt: skip


@pytest.mark.parametrize(("good", "known", "low", "high"), NEWCOMBE)
def test_shares_are_wilsons_and_pending_reeds_do_not_count(good, known, low, high):
    success = [1.0] * good + [0.0] * (known - good) + [np.nan] * 9
    row = counts.shares_by(pd.DataFrame({"lot": "a", "success": success}), "lot", "success").iloc[0]
    assert row["known"] == known
    assert row[["low", "high"]].tolist() == pytest.approx([low, high], abs=5e-5)
