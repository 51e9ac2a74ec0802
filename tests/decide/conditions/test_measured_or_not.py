"""What unmeasured pieces do to an answer, where most of what decides it is missing."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest

import reedlab as rl
from reedlab.decide import cane_slopes
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


def test_where_much_is_missing_it_is_said(sparse, few_imputations, monkeypatch):
    monkeypatch.setattr(measured_or_not, "DOUBTFUL", 0.4)
    with warnings.catch_warnings():
        warnings.simplefilter("error", rl.SeparationWarning)
        warnings.simplefilter("error", rl.ConvergenceWarning)
        answer = rl.unmeasured(sparse)
    both = list(cane_slopes.terms("density_g_cm3"))
    share = answer.information.loc[both, "missing"].max()
    assert share > 0.4 and not answer.unanswered and answer.unit == 0.05
    assert f"{share:.0%} of what decides one of them is filled in" in answer.sentence()
    spread = answer.reeds["density_g_cm3"].std()
    assert answer.shifted["shift"].tolist() == pytest.approx([-spread / 2, 0.0, spread / 2])
    left = answer.slopes.query("unmeasured == 'left out'").set_index("which")
    assert left.loc["within", "odds_ratio"] == pytest.approx(
        np.exp(answer.left_out.loc[both[1], "mean"]), rel=0.05
    )


def test_nearly_all_missing_is_refused(sparse, few_imputations, monkeypatch):
    monkeypatch.setattr(measured_or_not, "REFUSED", 0.1)
    refused = rl.unmeasured(sparse)
    assert refused.unanswered.endswith("is missing: too few pieces have it.")
    assert refused.table.empty and "ten pieces of every new lot" in refused.record_next.what


@pytest.mark.parametrize(("known", "grade"), [(True, "SURE"), (False, "CANNOT_SAY")])
def test_a_slope_of_which_too_much_is_missing_cannot_say(known, grade):
    draws = pd.DataFrame(dict.fromkeys(cane_slopes.terms("hardness"), np.full(100, -0.6)))
    slopes = cane_slopes.slopes(draws, "hardness", 1.0, 0.5, 0.9)
    # logit -0.6 is a share of 0.354: 14.6 points fewer.
    assert slopes["points"].tolist() == pytest.approx([-0.1457, -0.1457], abs=1e-4)
    of = cane_slopes.PROPERTIES["hardness"]
    claims = measured_or_not._claims({"filled in": slopes, "left out": slopes}, of, (known, known))
    assert claims["grade"].tolist() == [rl.Verdict[grade]] * 2 + [rl.Verdict.SURE] * 2
    assert claims["statement"].iloc[0].startswith("Lots with 1 more hardness have fewer good")
