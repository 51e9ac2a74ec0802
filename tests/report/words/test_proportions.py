"""Intervals for a plain share of reeds, by Wilson's score.

Newcombe, R. G. (1998). Two-sided confidence intervals for the single proportion: comparison of
seven methods. Statistics in Medicine 17, 857-872, table I, method 3 (score, without continuity
correction).
"""

from __future__ import annotations

import pandas as pd
import pytest

from reedlab.report.words.counts import with_wilson

NEWCOMBE = [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611),
            (1, 29, 0.0061, 0.1718)]  # fmt: skip


@pytest.mark.parametrize(("successes", "reeds", "low", "high"), NEWCOMBE)
def test_wilson_as_published(successes, reeds, low, high):
    counts = pd.DataFrame({"good": [successes], "reeds": [reeds]})
    found = with_wilson(counts, "good", "reeds").iloc[0]
    assert [round(found["low"], 4), round(found["high"], 4)] == [low, high]
    assert found["share"] == successes / reeds
