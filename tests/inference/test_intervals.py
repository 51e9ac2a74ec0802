"""Profile limits against lme4's, bootstrap against a closed form."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import chi2, norm

from reedlab.errors import ModelError
from reedlab.mixed import fit
from reedlab.mixed.fitted import fit_design
from reedlab.mixed.intervals import bootstrap, conf_int, estimates
from reedlab.mixed.terms import Design, RandomTerm


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        ("dyestuff", "dyestuff"),
        ("pastes", "pastes"),
        ("sleepstudy_uncorrelated", "sleepstudy"),
        ("sleepstudy", "sleepstudy_correlated"),
        ("cbpp", "cbpp"),
    ],
)
def test_profile_limits_are_lme4s(open_fit, told, ours, theirs):
    """confint(profile(...)) interpolates by splines: its error is about 1e-4 of the width."""
    found = open_fit(ours).conf_int("profile")
    assert set(found.index) == set(told["profile"][theirs])
    for name, limits in told["profile"][theirs].items():
        width = limits["high"] - limits["low"]
        assert found.loc[name, "low"] == pytest.approx(limits["low"], abs=1e-3 * width), name
        assert found.loc[name, "high"] == pytest.approx(limits["high"], abs=1e-3 * width), name


def test_profile_depth_follows_the_level(open_fit):
    narrow, wide = (open_fit("dyestuff").conf_int("profile", level=v) for v in (0.5, 0.99))
    assert (narrow["low"] > wide["low"]).all() and (narrow["high"] < wide["high"]).all()
    # the profile of the mean of a balanced design is symmetric
    middle = wide.loc["Intercept"].mean()
    assert middle == pytest.approx(open_fit("dyestuff").fe_params["Intercept"], abs=0.01)


def test_profile_of_ordered_grades_holds_the_estimate():
    rng = np.random.default_rng(3)
    judge = np.repeat(np.arange(8), 15)
    x = rng.normal(size=120)
    latent = x + rng.normal(0, 0.8, 8)[judge] + rng.logistic(size=120)
    grade = pd.Categorical.from_codes(
        np.searchsorted([-1.0, 0.5], latent), ["C", "B", "A"], ordered=True
    )
    data = pd.DataFrame({"grade": grade, "x": x, "judge": judge.astype(str)})
    model = fit("grade ~ x + (1 | judge)", data, family="ordinal")
    found, wald = model.conf_int("profile"), model.conf_int("wald")
    assert found.loc["x", "low"] == pytest.approx(wald.loc["x", "low"], abs=0.1)
    assert found.loc["x", "high"] == pytest.approx(wald.loc["x", "high"], abs=0.1)
    sd = estimates(model.fitted)["sd judge"]
    assert found.loc["sd judge", "low"] < sd < found.loc["sd judge", "high"]


def balanced(y: np.ndarray, groups: int) -> Design:
    index = np.repeat(np.arange(groups), len(y) // groups)
    names = tuple(str(i) for i in range(groups))
    ones = np.ones((len(y), 1))
    return Design(y, ones, ("Intercept",), (RandomTerm("lot", names, index, ("Intercept",), ones),))


def test_bootstrap_of_a_balanced_design_has_the_closed_form():
    """One-way balanced REML: the mean is normal, σ² is chi-square, both known exactly."""
    groups, size, sd, sigma = 20, 10, 2.0, 1.0
    rng = np.random.default_rng(2)
    y = np.repeat(rng.normal(5, sd, groups), size) + rng.normal(0, sigma, groups * size)
    fitted = fit_design(balanced(y, groups), "gaussian")
    n = 600
    draws = bootstrap(fitted, n=n, seed=4)
    between = fitted.covariances[0][0, 0]
    se = np.sqrt((between + fitted.sigma**2 / size) / groups)
    assert draws["Intercept"].std() == pytest.approx(se, rel=4 / np.sqrt(2 * n))
    assert draws["Intercept"].mean() == pytest.approx(fitted.beta[0], abs=4 * se / np.sqrt(n))
    df = groups * (size - 1)
    for q in (0.05, 0.5, 0.95):
        exact = fitted.sigma * np.sqrt(chi2.ppf(q, df) / df)
        share = (draws["sd Residual"] < exact).mean()
        assert abs(share - q) < 4 * np.sqrt(q * (1 - q) / n)


def test_bootstrap_interval_covers_as_the_closed_form_says():
    """Percentile limits of the mean are normal limits with the estimated variances.

    Over data sets the mean's t has groups - 1 degrees of freedom, so a normal limit covers
    P(|t_(a-1)| < 1.645), not 0.90: the bootstrap must show the same shortfall.
    """
    from scipy.stats import t as student

    groups, size, n = 5, 6, 100
    held = []
    for seed in np.random.SeedSequence(9).spawn(n):
        rng = np.random.default_rng(seed)
        y = np.repeat(rng.normal(0, 1.5, groups), size) + rng.normal(0, 1, groups * size)
        fitted = fit_design(balanced(y, groups), "gaussian")
        draws = bootstrap(fitted, n=40, seed=int(rng.integers(2**31)))["Intercept"]
        half = norm.ppf(0.95) * draws.std()
        held.append(abs(fitted.beta[0]) < half)
    exact = 1 - 2 * student.sf(norm.ppf(0.95), groups - 1)
    assert exact == pytest.approx(0.825, abs=0.002)
    assert abs(np.mean(held) - exact) < 3.5 * np.sqrt(exact * (1 - exact) / n)


def test_bootstrap_is_the_same_on_one_worker_and_on_two(open_fit):
    fitted = open_fit("dyestuff").fitted
    one = bootstrap(fitted, n=24, seed=7, workers=1)
    two = bootstrap(fitted, n=24, seed=7, workers=2)
    pd.testing.assert_frame_equal(one, two, rtol=1e-10)
    assert not np.allclose(one, bootstrap(fitted, n=24, seed=8))


def test_bootstrap_limits_are_quantiles_and_named_alike(open_fit):
    model = open_fit("cbpp")
    found = conf_int(model.fitted, "bootstrap", level=0.9, n=40, seed=2)
    draws = bootstrap(model.fitted, n=40, seed=2)
    np.testing.assert_allclose(found["low"], draws.quantile(0.05))
    assert list(found.index) == list(model.posterior().summary().index)


def test_wald_is_estimate_and_standard_errors(open_fit):
    model = open_fit("cbpp")
    found = conf_int(model.fitted, "wald", level=0.9)
    half = norm.ppf(0.95) * model.bse_fe
    np.testing.assert_allclose(found["high"] - found["low"], 2 * half)


def test_refusals(open_fit):
    fitted = open_fit("dyestuff").fitted
    with pytest.raises(ModelError, match="profile"):
        conf_int(fitted, "exact")
    with pytest.raises(ModelError, match="level"):
        conf_int(fitted, "wald", level=95)
