"""Predictions, transforms and summaries as a user meets them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.special import expit
from scipy.stats import norm

import reedlab as rl
from reedlab.errors import PredictionError
from reedlab.mixed.ask.predict import mean_of_expit
from reedlab.mixed.design.refusals import same_levels


@pytest.fixture(scope="module")
def data(small_bench) -> pd.DataFrame:
    return small_bench(8, n=300, sds=(0.6, 0.8))


@pytest.fixture(scope="module")
def binomial(data):
    return rl.fit("success ~ x + season + (x | supplier) + (1 | maker)", data, "binomial")


@pytest.mark.parametrize("sd", [0.1, 1.0, 3.0])
def test_mean_of_expit_is_the_integral(sd: float) -> None:
    for eta in (-4.0, 0.0, 1.5):
        exact = quad(lambda z, e=eta: expit(e + sd * z) * norm.pdf(z), -12, 12, epsabs=1e-12)[0]
        ours = mean_of_expit(np.array([eta]), np.array([sd**2]))[0]
        assert ours == pytest.approx(exact, abs=1e-6)


def test_rows_of_the_fit_predict_as_the_same_rows_given_anew(data, binomial) -> None:
    np.testing.assert_allclose(binomial.predict(data), binomial.predict(), rtol=1e-12)
    modes = binomial.random_effects.query("group == 'supplier'").pivot(
        index="level", columns="name", values="mode"
    )
    row = data.iloc[[0]]
    eta = binomial.predict(row, link=True).item()
    maker = binomial.random_effects.query("group == 'maker'").set_index("level")["mode"]
    fixed = binomial.predict(row, link=True, random=False).item()
    own = modes.loc[row["supplier"].item()]
    by_hand = fixed + own["Intercept"] + own["x"] * row["x"].item() + maker[row["maker"].item()]
    assert eta == pytest.approx(by_hand, abs=1e-12)


def test_a_new_level_is_integrated_over_with_its_slope(data, binomial) -> None:
    row = data.iloc[[0]].drop(columns="supplier")
    got = binomial.predict(row, new_levels="supplier").item()
    part = binomial.vcomp.set_index(["group", "name"])
    sd_0, sd_x = part.loc[("supplier", "Intercept"), "sd"], part.loc[("supplier", "x"), "sd"]
    corr, x = part.loc[("supplier", "x"), "corr"], row["x"].item()
    spread = np.sqrt(sd_0**2 + 2 * corr * sd_0 * sd_x * x + (sd_x * x) ** 2)
    modes = binomial.random_effects.query("group == 'maker'").set_index("level")["mode"]
    eta = binomial.predict(row, random=False, link=True).item() + modes[row["maker"].item()]
    exact = quad(lambda z: expit(eta + spread * z) * norm.pdf(z), -10, 10, epsabs=1e-12)[0]
    assert got == pytest.approx(exact, abs=1e-8)


def test_a_nested_new_lot_keeps_its_supplier(data) -> None:
    fit = rl.fit("minutes ~ x + (1 | supplier/lot)", data)
    rows = data.head(3).assign(lot="not met before")
    modes = fit.random_effects.query("group == 'supplier'").set_index("level")["mode"]
    expected = fit.predict(rows, random=False) + modes[rows["supplier"]].to_numpy()
    np.testing.assert_allclose(fit.predict(rows, new_levels="lot"), expected)
    np.testing.assert_allclose(fit.predict(rows, new_levels=["supplier:lot"]), expected)


def test_grades_of_new_levels_are_probabilities(data) -> None:
    fit = rl.fit("grade ~ x + (1 | supplier)", data, "ordinal")
    shares = fit.predict(data.head(5), new_levels="supplier")
    assert list(shares.columns) == ["C", "B", "A"]
    assert (shares > 0).all(axis=None)
    np.testing.assert_allclose(shares.sum(axis=1), 1.0)
    up = fit.predict(data.head(5).assign(x=5.0), new_levels="supplier")
    assert (up["A"] > shares["A"]).all()


def test_within_and_between_ask_two_slopes_apart(data) -> None:
    """By hand: the lot's mean, and what is left of each row (Mundlak 1978)."""
    by_hand = data.assign(key=data["supplier"].astype(str) + data["lot"])
    by_hand["mean_x"] = by_hand.groupby("key")["x"].transform("mean")
    by_hand["rest_x"] = by_hand["x"] - by_hand["mean_x"]
    one = rl.fit("minutes ~ within(x, key) + between(x, key) + (1 | key)", by_hand)
    two = rl.fit("minutes ~ rest_x + mean_x + (1 | key)", by_hand)
    np.testing.assert_allclose(one.fe_params, two.fe_params, rtol=1e-8)
    assert list(one.fe_params.index)[1:] == ["within(x, key)", "between(x, key)"]
    known = by_hand.head(4)
    np.testing.assert_allclose(one.predict(known), one.predict().head(4))
    fresh = pd.DataFrame({"x": [1.0, 3.0], "key": ["new", "new"]})
    slopes = one.fe_params
    expected = slopes.iloc[0] + slopes.iloc[1] * np.array([-1.0, 1.0]) + slopes.iloc[2] * 2.0
    np.testing.assert_allclose(one.predict(fresh, new_levels="key"), expected)


@pytest.mark.parametrize(
    "term", ["bs(x, 4)", "poly(x, 2)", "scale(x) * season", "center(x):season"]
)
def test_stateful_terms_predict_row_by_row(data, term: str) -> None:
    """A transform must remember the fit's rows: one row alone predicts as among all."""
    fit = rl.fit(f"minutes ~ {term} + (1 | supplier)", data)
    together = fit.predict(data.head(6))
    alone = pd.concat([fit.predict(data.iloc[[i]]) for i in range(6)])
    np.testing.assert_allclose(alone, together, rtol=1e-10)
    np.testing.assert_allclose(together, fit.predict().head(6), rtol=1e-10)


def test_summary_says_what_readers_expect(data, binomial) -> None:
    text, html = str(binomial.summary()), binomial.summary()._repr_html_()
    for words in (
        "Laplace",
        "season[T.summer]",
        "supplier",
        "rows used: 300",
        "log-likelihood",
        "maker has 2 levels only",
    ):
        assert words in text
    assert html.count("<table") == 3 and "<script" not in html
    fixed = binomial.summary().fixed
    np.testing.assert_allclose(fixed["estimate"], binomial.fe_params)
    limits = binomial.conf_int("wald")
    np.testing.assert_allclose(fixed[["low", "high"]], limits.loc[fixed.index, ["low", "high"]])


def test_summary_says_what_its_limits_are(data, binomial) -> None:
    linear = rl.fit("minutes ~ x + (1 | supplier)", data)
    for found, by_t in ((binomial.summary(), 0), (linear.summary(), 1)):
        for shown in (str(found), found._repr_html_()):
            assert shown.count("low and high are 95 % Wald limits by z") == 1
            assert shown.count("t_tests() has limits and p by t") == by_t


def test_summary_writes_small_units_in_figures_not_as_nothing(data) -> None:
    """A slope for a gram in tonnes, a gouge's variance in mm²: 0.0000 would say that it is none."""
    fine = data.assign(x=1e6 * data["x"], gouge=0.6 + 1e-4 * data["minutes"])
    text = str(rl.fit("success ~ x + (1 | supplier)", fine, "binomial").summary())
    slope = rl.fit("success ~ x + (1 | supplier)", fine, "binomial").fe_params["x"]
    assert f"{slope:.3g}" in text and slope < 1e-5
    found = rl.fit("gouge ~ 1 + (1 | supplier)", fine)
    assert f"{found.vcomp['variance'].iloc[-1]:.3g}" in str(found.summary())


def test_groupings_with_the_same_levels_are_named(data) -> None:
    """lme4 shares the variance out between them as it happens to end; the data give the sum."""
    alone = data.assign(lot=data["supplier"])
    found = rl.fit("minutes ~ x + (1 | supplier/lot)", alone)
    assert same_levels(found.fitted.design) == [("supplier", "supplier:lot")]
    assert any("supplier and supplier:lot have the same levels" in note for note in found.notes)
    for formula in ("minutes ~ x + (1 | supplier/lot)", "minutes ~ x + (x || supplier)"):
        assert same_levels(rl.fit(formula, data).fitted.design) == []


def test_criteria_count_every_parameter(data) -> None:
    fit = rl.fit("minutes ~ x + (x | supplier) + (1 | maker)", data)
    assert fit.aic == pytest.approx(-2 * fit.llf + 2 * (2 + 3 + 1 + 1))
    assert fit.bic == pytest.approx(-2 * fit.llf + np.log(300) * 7)


def test_numbers_in_c_are_levels_to_predictions_and_effects_too(data) -> None:
    """R's factor(): the same model as with text; a number not met is refused, not coded as 0."""
    coded = data.assign(number=(data["maker"] == "m1") + 3)
    by_number = rl.fit("success ~ C(number) + x + (1 | supplier)", coded, "binomial")
    by_text = rl.fit("success ~ maker + x + (1 | supplier)", data, "binomial")
    assert by_number.fe_params["C(number)[T.4]"] == pytest.approx(by_text.fe_params["maker[T.m1]"])
    with pytest.raises(PredictionError, match="holds 7, which the fit did not see; it knows 3, 4"):
        by_number.predict(coded.assign(number=7))
    ours, theirs = by_number.effects("number").iloc[0], by_text.effects("maker").iloc[0]
    assert ours["change"] == "4 instead of 3"
    for name in ("estimate", "low", "high"):
        assert ours[name] == pytest.approx(theirs[name], abs=1e-6) and ours[name] != 0.0
    assert by_number.contrasts("number")["second"].tolist() == [4]
    both = rl.fit("minutes ~ number + C(number):x + (1 | supplier)", coded)  # also as it stands
    assert len(both.predict(coded)) == len(coded)
