"""What unmeasured pieces do to an answer, where most of what decides it is missing."""

from __future__ import annotations

import warnings
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import reedlab as rl
from reedlab.decide.conditions import measured_or_not
from reedlab.decide.shared_models import cane_slopes
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


@pytest.mark.parametrize(
    ("m", "lost", "weak", "strong"),
    [
        (10, 0.3, "CANNOT_SAY", "SURE"),  # logit -0.85 ± 1.96 √(2/10): 0.15 to 0.51
        (40, 0.3, "SURE", "SURE"),  # 0.22 to 0.40
        (40, 0.8, "CANNOT_SAY", "CANNOT_SAY"),  # 0.72 to 0.86
    ],
)
def test_a_slope_of_which_too_much_may_be_missing_cannot_say(m, lost, weak, strong):
    terms = list(cane_slopes.terms("hardness"))
    draws = pd.DataFrame(dict.fromkeys(terms, np.full(10 * m, -0.6)))
    post = SimpleNamespace(m=m, missing=pd.Series(lost, index=terms), draws=lambda: draws)
    grades = measured_or_not._grades(post, "hardness", 1.0, 0.5, 0.9)
    assert grades == [(rl.Verdict[weak], rl.Verdict[strong])] * 2
    slopes = cane_slopes.slopes(draws, "hardness", 1.0, 0.5, 0.9)
    # logit -0.6 is a share of 0.354: 14.6 points fewer.
    assert slopes["points"].tolist() == pytest.approx([-0.1457, -0.1457], abs=1e-4)
    of = cane_slopes.PROPERTIES["hardness"]
    sure = [grade for grade, _ in grades]
    claims = measured_or_not._claims({"filled in": slopes, "left out": slopes}, of, sure)
    assert claims["grade"].tolist() == [rl.Verdict[weak]] * 2 + [rl.Verdict.SURE] * 2
    assert claims["statement"].iloc[0].startswith("Lots with 1 more hardness have fewer good")


def test_a_probability_that_imputations_disagree_on_has_the_weaker_grade():
    terms, m = list(cane_slopes.terms("hardness")), 10
    # Every other imputation says that pieces differ by 14.6 points, the others by 7.5.
    log_odds = np.tile([-0.6, -0.3], 5 * m // 2 * 2) + np.random.default_rng(1).normal(0, 0.1, 100)
    draws = pd.DataFrame(dict.fromkeys(terms, log_odds))
    post = SimpleNamespace(m=m, missing=pd.Series(0.1, index=terms), draws=lambda: draws)
    (weak, strong), _ = measured_or_not._grades(post, "hardness", 1.0, 0.5, 0.9)
    assert (weak, strong) == (rl.Verdict.LIKELY, rl.Verdict.SURE)
