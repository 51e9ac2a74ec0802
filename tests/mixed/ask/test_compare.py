"""Two models side by side: against R's anova, the boundary's mixture and RLRsim's exact null.

Reference: ``tests/reference/asked_of_fits.R`` wrote ``asked_of_fits.json`` with lme4's anova() and
with RLRsim (100,000 draws of the exact finite-sample null).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import reedlab as rl
from reedlab.errors import ModelError
from reedlab.mixed.ask.checks.held_out import ranked_score, scores


@pytest.fixture(scope="module")
def one(orthodont) -> rl.Fit:
    return rl.fit("distance ~ age + (1 | Subject)", orthodont)


def test_a_slope_more_is_a_mixture(asked, orthodont, one):
    two = rl.fit("distance ~ age + (age | Subject)", orthodont)
    found, r = rl.compare(one, two, folds=3), asked["compared"]["slopes"]
    assert found.test.statistic == pytest.approx(r["statistic"], abs=1e-5)
    assert found.test.method == "mixture"
    assert found.test.p == pytest.approx(r["mixture_p"], abs=1e-6)
    assert found.test.p < r["anova_p"]  # anova() leaves the boundary out
    np.testing.assert_allclose(found.table["aic"], r["aic"], atol=1e-4)
    backwards = rl.compare(two, one, folds=3)
    assert backwards.test.p == pytest.approx(found.test.p)
    assert backwards.gain == pytest.approx(-found.gain)


def test_an_uncorrelated_slope_more(asked, orthodont, one):
    two = rl.fit("distance ~ age + (age || Subject)", orthodont)
    found, r = rl.compare(one, two, folds=2), asked["compared"]["uncorrelated"]
    assert found.test.statistic == pytest.approx(r["statistic"], abs=1e-5)
    assert found.test.p == pytest.approx(r["mixture_p"], abs=1e-6)


def test_coefficients_more_are_a_chi_square(asked, orthodont, one):
    two = rl.fit("distance ~ age * Sex + (1 | Subject)", orthodont)
    found, r = rl.compare(one, two, folds=3), asked["compared"]["fixed"]
    assert (found.test.method, found.test.df) == ("chi-square", 2)
    assert found.test.p == pytest.approx(r["anova_p"], rel=1e-4)
    assert found.gain > 0 and found.table["aic"]["second"] < found.table["aic"]["first"]
    assert "AIC is 10.8 lower for the second model" in found.sentence()


def test_few_levels_need_a_simulated_null(asked, rails):
    none, some = rl.fit("small ~ 1", rails), rl.fit("small ~ 1 + (1 | Rail)", rails)
    r = asked["compared"]["rails"]
    mixture = rl.compare(none, some, folds=2)
    assert mixture.test.statistic == pytest.approx(r["statistic"], abs=1e-5)
    assert mixture.test.p == pytest.approx(r["mixture_p"], abs=1e-6)
    assert any("Rail has 6 levels only" in note for note in mixture.notes)
    simulated = rl.compare(none, some, folds=2, method="simulated", n=600)
    # three Monte Carlo standard errors of 600 draws
    assert simulated.test.p == pytest.approx(r["exact_p"], abs=3 * np.sqrt(0.08 * 0.92 / 600))
    assert not any("levels only" in note for note in simulated.notes)


def test_two_variances_more_are_simulated(orthodont):
    none = rl.fit("distance ~ age", orthodont)
    two = rl.fit("distance ~ age + (age || Subject)", orthodont)
    found = rl.compare(none, two, folds=2, n=19)
    # Refits that do not converge do not count.
    assert found.test.method == "simulated" and 15 <= len(found.test.null) <= 19
    assert found.test.p == pytest.approx(1 / (len(found.test.null) + 1))
    with pytest.raises(ModelError, match="2 more variances"):
        rl.compare(none, two, method="mixture")


def test_models_of_which_neither_contains_the_other(orthodont, one):
    other = rl.fit("distance ~ Sex + (1 | Subject)", orthodont)
    found = rl.compare(one, other, folds=2)
    assert found.test is None and "Neither model contains the other" in found.notes[-1]
    assert "likelihood ratio" not in found.sentence()


def test_models_without_groups_have_no_held_out_levels(birth):
    less, more = (rl.fit(f"low ~ {x}", birth, "binomial") for x in ("lwt", "lwt + smoke"))
    found = rl.compare(less, more)
    assert found.group == "" and found.table["score"].isna().all()
    assert found.test.p == pytest.approx(more.term_tests()["p"]["smoke"], rel=1e-4)


def test_the_score_of_chances_is_the_brier_score(bacteria):
    model = rl.fit("good ~ trt + week + (1 | ID)", bacteria, "binomial")
    held_out = model.calibration("ID", folds=4, draws=300)
    ours = scores(model.fitted, model.fitted.design.terms[0], folds=4, draws=300)
    assert ours.mean() == pytest.approx(held_out.brier["score"])


def test_the_ranked_score_of_a_normal():
    """Closed form for N(0, 1) at 0: (√2 - 1)/√π (Gneiting and Raftery 2007, eq. 21)."""
    draws = np.random.default_rng(1).standard_normal((200_000, 1))
    assert ranked_score(draws, np.zeros(1))[0] == pytest.approx((2**0.5 - 1) / np.pi**0.5, abs=2e-3)


def test_held_out_levels_tell_a_predictor_from_noise():
    rng = np.random.default_rng(4)
    n, lot = 240, np.repeat(np.arange(24), 10)
    x, noise = rng.standard_normal((2, n))
    y = (rng.random(n) < 1 / (1 + np.exp(-(1.5 * x + 0.7 * rng.standard_normal(24)[lot])))).astype(
        int
    )
    data = pd.DataFrame({"y": y, "x": x, "noise": noise, "lot": [f"l{i}" for i in lot]})
    null = rl.fit("y ~ 1 + (1 | lot)", data, "binomial")
    useful = rl.compare(null, rl.fit("y ~ x + (1 | lot)", data, "binomial"), folds=5)
    assert useful.gain > 3 * useful.gain_se and "second model predicts better" in useful.sentence()
    useless = rl.compare(null, rl.fit("y ~ noise + (1 | lot)", data, "binomial"), folds=5)
    assert useless.gain < useless.gain_se  # noise never helps


REFUSED = [
    ({"data": "head"}, "used 108 and 100 rows"),
    ({"data": "moved"}, "different responses"),
    ({"family": "binomial", "response": "tall"}, "gaussian and a binomial model"),
]


@pytest.mark.parametrize(("change", "words"), REFUSED)
def test_refusals(orthodont, one, change, words):
    data = {
        "head": orthodont.head(100),
        "moved": orthodont.assign(distance=2 * orthodont["distance"]),
    }.get(change.get("data", ""), orthodont.assign(tall=orthodont["distance"] > 24))
    formula = f"{change.get('response', 'distance')} ~ age + (1 | Subject)"
    other = rl.fit(formula, data, change.get("family", "gaussian"))
    with pytest.raises(ModelError, match=words):
        rl.compare(one, other)
    with pytest.raises(ModelError, match="no group 'lot'"):
        rl.compare(one, one, "lot")
    with pytest.raises(ModelError, match="needs two fits, not a str"):
        rl.compare(one, "distance ~ age")
    with pytest.raises(ModelError, match="whole number of folds, 2 or more"):
        rl.compare(one, one, folds=1)
