"""The first page's counts in words, from the first reed on."""

import pandas as pd
import pytest

from reedlab.decide.losses_by_stage import losses
from reedlab.records import Bench
from reedlab.report.words import counts


def said(*outcomes: str | None, **more: object) -> str:
    n = len(outcomes)
    reeds = {"reed": [str(i) for i in range(n)], "lot": ["L1"] * n, "maker": ["A"] * n,
             "tied_on": ["2025-01-07"] * n, "outcome": list(outcomes), **more}  # fmt: skip
    lots = pd.DataFrame({"lot": ["L1"], "supplier": ["ochre"]})
    bench = Bench.from_tables({"lots": lots, "reeds": pd.DataFrame(reeds)})
    lost, known = losses(bench), counts.recorded(bench.reeds)
    return counts.records_sentence(bench.reeds, lost, known)


def test_an_empty_bench_is_told_what_to_write_down():
    assert said().startswith("No reed is recorded yet: fill in reed, lot, maker and tied_on")


def test_reeds_that_all_wait_have_no_share():
    text = said(None, None)
    assert text.startswith("No reed has an outcome that was tied long enough ago to be judged; 2")
    assert "turned out well" not in text


def test_no_stage_loses_most_where_none_is_noted():
    text = said("good", "reject", "reject")
    assert "Of 3 reeds with an outcome" in text and "1 turned out well (33%)" in text
    assert "no reeds of all 3 are still pending" in text
    assert "loses most" not in text and "fill in lost_at" in text
    assert "lost_at" not in said("good").split("Least")[0]
    text = said("good", "reject", "reject", lost_at=[None, "clip", None])
    assert "loses most is 'clip', with 1 of 3" in text


@pytest.mark.parametrize("column", ["rough_min", "finish_min"])
def test_what_to_note_next_is_a_column_that_she_has(column):
    assert "Least is known of rough_min and finish_min (0%" in said("good", **{column: [20]})
