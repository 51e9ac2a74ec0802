"""Intervals for a plain share of reeds, by Wilson's score.

Newcombe, R. G. (1998). Two-sided confidence intervals for the single proportion: comparison of
seven methods. Statistics in Medicine 17, 857-872, table I, method 3 (score, without continuity
correction).
"""

from __future__ import annotations

import pytest

NEWCOMBE = [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611),
            (1, 29, 0.0061, 0.1718)]  # fmt: skip


@pytest.mark.parametrize(("successes", "reeds", "low", "high"), NEWCOMBE)
def test_wilson_as_published(successes, reeds, low, high):
    from statsmodels.stats.proportion import proportion_confint

    found = proportion_confint(successes, reeds, alpha=0.05, method="wilson")
    assert [round(float(v), 4) for v in found] == [low, high]
