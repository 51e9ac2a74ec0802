"""Profile limits against lme4's, bootstrap against a closed form."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import chi2, norm
from scipy.stats import f as fisher
from scipy.stats import t as student

from reedlab.errors import ModelError
from reedlab.mixed import fit
from reedlab.mixed.ask.intervals import bootstrap, estimates
from reedlab.mixed.design.terms import Design, RandomTerm
from reedlab.mixed.engine.fitted import fit_design


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        ("dyestuff", "dyestuff"),
        ("pastes", "pastes"),
        ("sleepstudy_uncorrelated", "sleepstudy"),
        ("sleepstudy", "sleepstudy_correlated"),
        ("cbpp", "cbpp"),
        ("cbpp_agq9", "cbpp_agq9"),
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


def test_profile_of_three_correlated_columns_is_lme4s(open_data, told):
    """lme4 ends two of the correlations' profiles in linear interpolation, as it warns."""
    data = open_data("sleepstudy").assign(bend=lambda d: (d["Days"] - 4.5) ** 2)
    found = fit("Reaction ~ Days + bend + (Days + bend | Subject)", data).conf_int("profile")
    assert set(found.index) == set(told["profile"]["sleepstudy_three"])
    for name, limits in told["profile"]["sleepstudy_three"].items():
        width = limits["high"] - limits["low"]
        tolerance = (
            3e-3 if name in ("cor Subject bend", "cor Subject Days bend") else 6e-4
        ) * width
        assert found.loc[name, "low"] == pytest.approx(limits["low"], abs=tolerance), name
        assert found.loc[name, "high"] == pytest.approx(limits["high"], abs=tolerance), name


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
    assert found.index.tolist() == ["x", "sd judge"]
    assert wald.index.tolist() == ["x", "C|B", "B|A"]
    assert found.loc["x", "low"] == pytest.approx(wald.loc["x", "low"], abs=0.1)
    assert found.loc["x", "high"] == pytest.approx(wald.loc["x", "high"], abs=0.1)
    sd = estimates(model.fitted)["sd judge"]
    assert found.loc["sd judge", "low"] < sd < found.loc["sd judge", "high"]


def balanced(y: np.ndarray, groups: int) -> Design:
    index = np.repeat(np.arange(groups), len(y) // groups)
    names = tuple(str(i) for i in range(groups))
    ones = np.ones((len(y), 1))
    return Design(y, ones, ("Intercept",), (RandomTerm("lot", names, index, ("Intercept",), ones),))


def test_bootstrap_limits_of_a_balanced_design_have_the_closed_form():
    """One-way balanced REML: the mean is normal, σ² a chi-square, the ratio of variances Fisher's.

    So each limit lies at a known multiple of its estimate, and from those multiples follows how
    often, over data sets, the limits hold: not the 90 % they are called by, and known exactly.
    """
    groups, size, sd, sigma, n = 6, 5, 2.0, 1.0, 800
    rng = np.random.default_rng(2)
    y = np.repeat(rng.normal(5, sd, groups), size) + rng.normal(0, sigma, groups * size)
    model = fit_design(balanced(y, groups), "gaussian")
    between, residual = model.covariances[0][0, 0], model.sigma**2
    draws = bootstrap(model, n=n, seed=4)
    assert (draws["sd lot"] > 0).mean() > 0.99  # below it the forms would be bent
    draws["ratio"] = size * (draws["sd lot"] / draws["sd Residual"]) ** 2 + 1.0
    limits = draws.quantile([0.05, 0.95])
    free, df = groups - 1, groups * (size - 1)

    se = np.sqrt((between + residual / size) / groups)
    assert draws["Intercept"].mean() == pytest.approx(model.beta[0], abs=4 * se / np.sqrt(n))
    reach = np.diff(limits["Intercept"]).item() / (2 * se)
    ends = np.sort((residual / limits["sd Residual"] ** 2) * df)
    ratio = np.sort((size * between / residual + 1.0) / limits["ratio"])
    held = {
        "mean": (1 - 2 * student.sf(reach, free), 1 - 2 * student.sf(norm.ppf(0.95), free)),
        "sigma": (
            np.diff(chi2.cdf(ends, df)).item(),
            np.diff(chi2.cdf(df**2 / chi2.ppf([0.95, 0.05], df), df)).item(),
        ),
        "ratio": (
            np.diff(fisher.cdf(ratio, free, df)).item(),
            np.diff(fisher.cdf(1.0 / fisher.ppf([0.95, 0.05], free, df), free, df)).item(),
        ),
    }
    exact = {name: coverage for name, (_, coverage) in held.items()}
    assert exact["mean"] < 0.85 and exact["sigma"] < 0.89 and exact["ratio"] < 0.86
    for name, (ours, coverage) in held.items():
        assert ours == pytest.approx(coverage, abs=4 * np.sqrt(2 * 0.05 * 0.95 / n)), name


def test_bootstrap_shows_how_far_it_is(open_fit, capsys, monkeypatch):
    for name, value in {"FORCE_COLOR": "1", "TERM": "xterm"}.items():  # a terminal, to the bar
        monkeypatch.setenv(name, value)
    open_fit("dyestuff").conf_int("bootstrap", n=20, progress=True)
    assert "Bootstrap" in capsys.readouterr().err
    open_fit("dyestuff").conf_int("bootstrap", n=20)
    quiet = capsys.readouterr()
    assert quiet.out == "" and "Bootstrap" not in quiet.err


def test_bootstrap_is_the_same_on_one_worker_and_on_two(open_fit):
    fitted = open_fit("dyestuff").fitted
    one = bootstrap(fitted, n=24, seed=7, workers=1)
    two = bootstrap(fitted, n=24, seed=7, workers=2)
    pd.testing.assert_frame_equal(one, two, rtol=1e-10)
    assert not np.allclose(one, bootstrap(fitted, n=24, seed=8))


def test_bootstrap_limits_are_quantiles_and_named_alike(open_fit):
    model = open_fit("cbpp")
    found = model.conf_int("bootstrap", level=0.9, n=40, seed=2)
    draws = bootstrap(model.fitted, n=40, seed=2)
    np.testing.assert_allclose(found["low"], draws.quantile(0.05))
    assert list(found.index) == list(model.posterior().summary().index)


def test_wald_is_estimate_and_standard_errors(open_fit):
    model = open_fit("cbpp")
    found = model.conf_int("wald", level=0.9)
    half = norm.ppf(0.95) * model.bse_fe
    np.testing.assert_allclose(found["high"] - found["low"], 2 * half)


def test_refusals(open_fit):
    model = open_fit("dyestuff")
    with pytest.raises(ModelError, match="profile"):
        model.conf_int("exact")
    with pytest.raises(ModelError, match="level"):
        model.conf_int("wald", level=95)
    for method, options in (
        ("wald", {"n": 50}),
        ("profile", {"seed": 2}),
        ("wald", {"workers": 2}),
    ):
        with pytest.raises(
            ModelError, match=f"{next(iter(options))}= has no effect on {method} limits"
        ):
            model.conf_int(method, **options)
