"""Checks of a model: sums of residuals, their power, and data beside what the posterior makes.

What a check must see is planted in simulated data; refits are held against statsmodels; bins are
counted again by pandas.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy.special import expit

import reedlab as rl
from reedlab.errors import DataError, ModelError
from reedlab.mixed.ask.checks import binned_residuals
from reedlab.mixed.ask.checks.binned_residuals import _refitted


def reeds(seed: int, bend: float = 0.0, trend: float = 0.0, lots: int = 20, each: int = 20):
    """0/1 outcomes with a slope of 0.5, and what is planted beside it."""
    rng = np.random.default_rng(seed)
    n, lot = lots * each, np.repeat(np.arange(lots), each)
    x, day = rng.standard_normal(n), rng.permutation(n) / n
    eta = 0.5 * x + bend * (x**2 - 1.0) + trend * (day - 0.5) + 0.5 * rng.standard_normal(lots)[lot]
    good = (rng.random(n) < expit(eta)).astype(int)
    tied_on = pd.Timestamp("2025-01-01") + pd.to_timedelta((1000 * day).astype(int), unit="D")
    return pd.DataFrame({"good": good, "x": x, "tied_on": tied_on, "lot": [f"l{i}" for i in lot]})


FORMULA = "good ~ x + (1 | lot)"


def test_a_missing_curve_is_seen_where_quantile_residuals_are_blind():
    """Of twelve data sets with a strong x² all are caught; quantile residuals pass nearly all."""
    caught, blind = 0, 0
    for seed in range(12):
        model = rl.fit(FORMULA, reeds(seed, bend=0.9), "binomial")
        caught += model.binned_residuals(n=60, departure=None).tests["p"]["x"] < 0.05
        blind += model.residuals(n=60).tests["p"]["uniformity"] > 0.05
    assert caught == 12 and blind >= 10  # at 5 % one may alarm by chance


def test_a_right_model_raises_few_alarms():
    """At 5 % each of 60 checks: with so many the alarms are 0 to 9 (binomial, 99.9 %)."""
    alarms = 0
    for seed in range(20):
        model = rl.fit(FORMULA, reeds(100 + seed, lots=12, each=12), "binomial")
        alarms += (model.binned_residuals(n=60, departure=None).tests["p"] <= 0.05).sum()
    assert alarms <= 9


def test_the_power_is_the_share_of_planted_departures_that_are_found():
    """Power by the table, and by counting alarms on data with the same departure planted."""
    model = rl.fit(FORMULA, reeds(1), "binomial")
    stated = model.binned_residuals(n=200).tests["power"]["x"]
    # a bend of sd 0.5 on the logit scale: x² - 1 of a standard normal has sd √2
    found = [
        rl.fit(FORMULA, reeds(200 + s, bend=0.5 / 2**0.5), "binomial").binned_residuals(
            n=60, departure=None
        )
        for s in range(20)
    ]
    share = np.mean([each.tests["p"]["x"] <= 0.05 for each in found])
    assert share == pytest.approx(stated, abs=3 * np.sqrt(0.25 / 20))
    small = model.binned_residuals(n=60, departure=0.1).tests["power"]["x"]
    large = model.binned_residuals(n=60, departure=1.5).tests["power"]["x"]
    assert small < 0.3 < 0.95 < large


def test_what_changes_over_time_is_seen_by_the_day():
    drifting = rl.fit(FORMULA, reeds(3, trend=3.0), "binomial").binned_residuals("tied_on", n=99)
    assert drifting.tests["p"]["tied_on"] <= 0.05
    assert "speak against the model by tied_on" in drifting.sentence()
    bins = drifting.bins[drifting.bins["check"] == "tied_on"]
    assert bins["bin"].iloc[0].startswith("2025-01-")
    steady = rl.fit(FORMULA, reeds(3), "binomial").binned_residuals("tied_on", n=99)
    assert steady.tests["p"]["tied_on"] > 0.05
    assert steady.sentence().startswith("No sum of residuals speaks against the model.")


def test_weak_checks_are_named():
    weak = rl.fit(FORMULA, reeds(5, lots=4, each=10), "binomial").binned_residuals(n=60)
    assert weak.tests["power"]["lot"] < 0.5
    assert "by lot a further sd of 0.5 on the logit scale between levels" in weak.sentence()


def test_bins_are_those_that_pandas_counts():
    data = reeds(7)
    model = rl.fit(FORMULA, data, "binomial")
    bins = model.binned_residuals(bins=4, n=30).bins
    ours = bins[bins["check"] == "x"]
    groups = data.groupby(pd.qcut(data["x"], 4), observed=True)
    np.testing.assert_allclose(ours["observed"], groups["good"].mean())
    assert ours["rows"].tolist() == [100] * 4
    np.testing.assert_allclose(ours["centre"], groups["x"].mean())
    by_lot = bins[bins["check"] == "lot"]
    np.testing.assert_allclose(
        by_lot["observed"], data.groupby("lot")["good"].mean()[by_lot["bin"]]
    )
    np.testing.assert_allclose(
        by_lot["predicted"],
        model.predict(data).groupby(data["lot"]).mean()[by_lot["bin"]],
        atol=2e-3,
    )


def test_refits_are_statsmodels(birth):
    """Without groups a refit is an ordinary one."""
    X = sm.add_constant(birth[["lwt", "smoke"]].astype(float))
    linear = rl.fit("bwt ~ lwt + smoke", birth).fitted
    other = birth["bwt"].to_numpy() ** 1.1
    np.testing.assert_allclose(_refitted(linear, other), sm.OLS(other, X).fit().fittedvalues)
    weighted = rl.fit("bwt ~ lwt + smoke", birth, weights="w").fitted
    wls = sm.WLS(other, X, weights=birth["w"]).fit().fittedvalues
    np.testing.assert_allclose(_refitted(weighted, other), wls)
    logistic = rl.fit("low ~ lwt + smoke", birth, "binomial").fitted
    flipped = (birth["bwt"] < 3000).to_numpy(dtype=float)
    glm = sm.GLM(flipped, X, family=sm.families.Binomial()).fit().fittedvalues
    np.testing.assert_allclose(_refitted(logistic, flipped), glm, atol=1e-5)


def test_refits_side_by_side_are_those_one_by_one(monkeypatch):
    data, rng = reeds(12, lots=9), np.random.default_rng(1)
    data["of"] = rng.integers(1, 6, len(data))
    data["good"] = rng.binomial(data["of"], 0.6)
    of_trials = rl.fit(FORMULA, data, "binomial", trials="of")
    for model in (rl.fit(FORMULA, reeds(11, lots=9), "binomial"), of_trials):
        together = model.binned_residuals(n=40)
        with monkeypatch.context() as patch:
            patch.setattr(binned_residuals, "_side_by_side", lambda *_: None)
            alone = model.binned_residuals(n=40)
        pd.testing.assert_frame_equal(together.bins, alone.bins, rtol=1e-4, atol=1e-4)
        pd.testing.assert_frame_equal(together.tests, alone.tests, rtol=1e-3)


def test_every_family_has_checks(orthodont, soup, bacteria):
    linear = rl.fit("distance ~ age + (1 | Subject)", orthodont, weights="w")
    found = linear.binned_residuals("Sex", n=40).tests
    assert found.index.tolist() == ["Subject", "age", "the prediction", "Sex"]
    assert "residual sds" in found["departure"].iloc[0]
    graded = rl.fit("grade ~ PROD + (1 | person)", soup.head(300), "ordinal")
    assert graded.binned_residuals(n=40).tests.index.tolist() == ["person"]
    counts = bacteria.groupby("ID").agg(
        good=("good", "sum"), tried=("good", "size"), week=("week", "mean")
    )
    model = rl.fit("good ~ week", counts.reset_index(), "binomial", trials="tried")
    assert (model.binned_residuals("ID", n=40).bins["observed"].between(0, 1)).all()


REFUSED = [
    ({"by": "nothere"}, DataError, "no column 'nothere'"),
    ({"bins": 1}, ModelError, "whole number of bins, 2 or more"),
    ({"n": 5}, ModelError, "whole number of simulated responses, 20"),
]


@pytest.mark.parametrize(("options", "error", "words"), REFUSED)
def test_refusals(options, error, words):
    model = rl.fit(FORMULA, reeds(1, lots=4, each=10), "binomial")
    with pytest.raises(error, match=words):
        model.binned_residuals(**options)


def test_nothing_to_sum_over(birth):
    with pytest.raises(ModelError, match="name a column in by="):
        rl.fit("low ~ 1", birth, "binomial").binned_residuals()
    assert rl.fit("low ~ 1", birth, "binomial").binned_residuals("lwt", n=20).tests.shape[0] == 1


# The posterior predictive check


def test_data_of_the_model_are_like_its_own():
    check = rl.fit(FORMULA, reeds(1), "binomial").predictive_check(n=400)
    assert check.statistics["p"].between(0.025, 0.975).all()
    assert check.sentence().startswith("The data are like what the model makes")
    assert check.levels["rows"].tolist() == [20] * 20
    data = reeds(1)
    means = data.groupby("lot")["good"].mean()[check.levels["level"]]
    np.testing.assert_allclose(check.levels["observed"], means)


def test_a_skewed_response_is_seen():
    rng = np.random.default_rng(2)
    data = pd.DataFrame(
        {"minutes": rng.gamma(1.5, 10, 300), "lot": [f"l{i % 15}" for i in range(300)]}
    )
    raw = rl.fit("minutes ~ 1 + (1 | lot)", data).predictive_check(n=400)
    skewness = raw.statistics.loc["skewness"]
    assert skewness["observed"] == pytest.approx(
        float(((data["minutes"] - data["minutes"].mean()) ** 3).mean())
        / float(data["minutes"].var(ddof=0)) ** 1.5
    )
    assert skewness["p"] == 0.0 and "skewness" in raw.sentence()
    assert raw.spread["observed"].sum() == pytest.approx(1.0)


def test_levels_drawn_anew_test_their_distribution():
    """One lot far from all others: its effect fits it, a normal of effects does not."""
    rng = np.random.default_rng(3)
    lot = np.repeat(np.arange(30), 20)
    effect = np.where(np.arange(30) == 0, 6.0, 0.2 * rng.standard_normal(30))
    data = pd.DataFrame(
        {"y": effect[lot] + rng.standard_normal(600), "lot": [f"l{i}" for i in lot]}
    )
    model = rl.fit("y ~ 1 + (1 | lot)", data)
    fitted = model.predictive_check(n=400).statistics.loc["highest lot", "p"]
    drawn = model.predictive_check(n=400, new_levels="lot").statistics.loc["highest lot", "p"]
    assert fitted > 0.1 and drawn < 0.025


def test_grades_and_models_without_groups(soup, birth):
    graded = rl.fit("grade ~ PROD + (1 | person)", soup.head(300), "ordinal")
    check = graded.predictive_check(n=200)
    assert check.spread["value"].tolist() == [*"123456"]
    shares = soup.head(300)["grade"].value_counts(normalize=True).sort_index()
    np.testing.assert_allclose(check.spread["observed"], shares.reindex(range(1, 7), fill_value=0))
    assert check.spread["observed"].between(check.spread["low"], check.spread["high"]).all()
    alone = rl.fit("low ~ lwt", birth, "binomial").predictive_check(n=100)
    assert alone.levels.empty and alone.group == "" and alone.statistics.index.tolist() == ["mean"]
    with pytest.raises(ModelError, match="whole number of responses, 20"):
        graded.predictive_check(n=3)


# What is said of held-out predictions


def test_predictions_no_better_than_the_share_are_called_so():
    rng = np.random.default_rng(9)
    data = reeds(9).assign(noise=rng.standard_normal(400))
    useless = rl.fit("good ~ noise + (1 | lot)", data, "binomial").calibration("lot", folds=4)
    assert useless.brier["score"] > 0.9 * useless.brier["uncertainty"]
    assert "better than the overall share" in useless.sentence() or "worse" in useless.sentence()
    strong = data.assign(good=(data["x"] + 0.3 * rng.standard_normal(400) > 0).astype(int))
    useful = rl.fit(FORMULA, strong, "binomial").calibration("lot", folds=4)
    assert "predictions are better than" in useful.sentence()


def test_the_worst_bin_is_named():
    bins = pd.DataFrame(
        {
            "predicted": [0.31, 0.6],
            "observed": [0.47, 0.62],
            "low": [0.36, 0.5],
            "high": [0.58, 0.7],
        }
    )
    from reedlab.mixed.ask.checks.held_out import HeldOut

    brier = pd.Series({"score": 0.237, "uncertainty": 0.244})
    says = HeldOut(pd.DataFrame(), bins, brier).sentence()
    assert "hardly better than" in says and "A predicted 31 in 100 came as 47." in says
    near = HeldOut(pd.DataFrame(), bins.iloc[1:], brier).sentence()
    assert "Predicted chances came true" in near
