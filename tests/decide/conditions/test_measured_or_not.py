"""What unmeasured pieces do to an answer, where most of what decides it is missing."""

from __future__ import annotations

import warnings

import pandas as pd
import pytest

import reedlab as rl
from reedlab.decide.conditions import measured_or_not
from reedlab.mixed.gaps import missing


@pytest.fixture(scope="module")
def sparse():
    """A bench with 50 of 120 reeds measured, of three of eight lots."""
    return rl.simulate_bench(seed=2, suppliers=3, lots=(3, 3), reeds=120, years=2)[0]


@pytest.fixture
def few_imputations(monkeypatch):
    """So that a test takes seconds; what is judged here does not depend on their number."""
    monkeypatch.setattr(measured_or_not, "_PILOT", 6)
    monkeypatch.setattr(missing, "MOST", 6)
    monkeypatch.setattr(measured_or_not, "_SHIFTED", 2)


def test_most_missing_cannot_say(sparse, few_imputations):
    with warnings.catch_warnings():
        warnings.simplefilter("error", rl.SeparationWarning)
        warnings.simplefilter("error", rl.ConvergenceWarning)
        answer = rl.unmeasured(sparse)
    share = answer.information.loc["density_g_cm3", "missing"]
    assert 0.5 < share < 0.8 and answer.verdict is rl.Verdict.CANNOT_SAY and not answer.unanswered
    assert f"{share:.0%} of what decides it is filled in, too much for an answer" in str(answer)
    assert answer.shifted["shift"].tolist() == pytest.approx(
        [-answer.unit / 2, 0.0, answer.unit / 2]
    )


def test_nearly_all_missing_is_refused(sparse, few_imputations, monkeypatch):
    monkeypatch.setattr(measured_or_not, "REFUSED", 0.5)
    refused = rl.unmeasured(sparse)
    assert refused.unanswered.endswith("is missing: too few pieces have it.")
    assert refused.table.empty and "ten pieces of every new lot" in refused.record_next.what


@pytest.mark.parametrize(
    ("high", "missing", "grade"),
    [(-0.1, 0.3, "SURE"), (-0.1, 0.6, "CANNOT_SAY"), (0.1, 0.3, "CANNOT_SAY")],
)
def test_a_claim_is_sure_where_its_interval_is_clear_and_little_is_missing(high, missing, grade):
    summary = pd.DataFrame([(-0.3, -0.6, high)], ["hardness"], ["mean", "low", "high"])
    draws = pd.Series([-0.5, -0.3, -0.2, 0.1])
    claim = measured_or_not._claim("hardness", summary, draws, "filled in", missing)
    assert claim[:3] == (
        "more hardness goes with fewer good reeds, unmeasured filled in",
        0.75,
        rl.Verdict[grade],
    )
