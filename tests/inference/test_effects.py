"""Predictions and contrasts against emmeans; average effects and design tables by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from reedlab.errors import DataError, ModelError
from reedlab.mixed.design_table import design_table
from reedlab.mixed.effects import average_effects, contrasts, predictions


def test_predictions_are_emmeans(open_fit, open_data, told):
    found = predictions(
        open_fit("cbpp").fitted, open_data("cbpp"), {"period": list("1234")},
        groups="typical", average="middle",
    )  # fmt: skip
    for ours, row in zip(found.to_dict("records"), told["emmeans"]["cbpp_response"]):
        assert ours["estimate"] == pytest.approx(row["prob"], rel=1e-4)
        assert ours["se"] == pytest.approx(row["SE"], rel=1e-3)
        assert ours["low"] == pytest.approx(row["asymp.LCL"], abs=1e-4)
    cake = predictions(
        open_fit("cake").fitted, open_data("cake").assign(temp=200), {"recipe": list("ABC")},
        average="middle",
    )  # fmt: skip
    for ours, row in zip(cake.to_dict("records"), told["emmeans"]["cake_recipe"]):
        assert ours["estimate"] == pytest.approx(row["emmean"])
        assert ours["se"] == pytest.approx(row["SE"], rel=1e-4)


@pytest.mark.parametrize("correction", ["holm", "none", "bonferroni"])
def test_contrasts_are_emmeans(open_fit, open_data, told, correction):
    found = contrasts(open_fit("cbpp").fitted, open_data("cbpp"), "period", correction)
    for ours, row in zip(found.to_dict("records"), told["emmeans"][f"cbpp_pairs_{correction}"]):
        assert f"period{ours['first']} - period{ours['second']}" == row["contrast"]
        assert ours["estimate"] == pytest.approx(row["estimate"], abs=1e-4)
        assert ours["se"] == pytest.approx(row["SE"], rel=1e-3)
        assert ours["p_corrected"] == pytest.approx(row["p.value"], rel=1e-2)


def test_average_effect_is_the_mean_difference(open_fit, open_data):
    model, data = open_fit("cbpp"), open_data("cbpp")
    found = average_effects(model.fitted, data, groups="typical")
    b = model.fe_params
    by_hand = expit(b["Intercept"] + b["period[T.2]"]) - expit(b["Intercept"])
    assert found["estimate"].iloc[0] == pytest.approx(by_hand)
    integrated = average_effects(model.fitted, data)["estimate"].iloc[0]
    assert abs(integrated) < 1.2 * abs(by_hand) and integrated < 0


def test_gaussian_average_effect_is_the_coefficient(open_fit, open_data):
    model = open_fit("cake")
    found = average_effects(model.fitted, open_data("cake"), ["temp"]).iloc[0]
    assert found["estimate"] == pytest.approx(model.fe_params["temp"])
    assert found["se"] == pytest.approx(model.bse_fe["temp"], rel=1e-4)


def test_posterior_and_delta_agree_where_there_is_much_data(open_fit, open_data):
    model, data = open_fit("verbagg"), open_data("verbagg")
    at = {"btype": ["curse", "scold", "shout"]}
    a = predictions(model.fitted, data.iloc[:50], at)
    b = predictions(model.posterior(), data.iloc[:50], at)
    assert np.max(np.abs(a["estimate"] - b["estimate"])) < 0.02
    assert (b["se"] / a["se"]).between(0.8, 1.5).all()


def test_refusals(open_fit, open_data):
    fitted, data = open_fit("cbpp").fitted, open_data("cbpp")
    with pytest.raises(ModelError, match="period"):
        predictions(fitted, data, {"season": ["a"]})
    with pytest.raises(ModelError, match="integrated"):
        average_effects(fitted, data, groups="zero")
    with pytest.raises(ModelError, match="period"):
        contrasts(fitted, data, "herd")


def long(counts: list[list[int]]) -> pd.DataFrame:
    rows = [
        {"supplier": f"s{i}", "season": f"t{j}"}
        for i, row in enumerate(counts)
        for j, n in enumerate(row)
        for _ in range(n)
    ]
    return pd.DataFrame(rows)


def test_a_balanced_design_has_inflation_one():
    found = design_table(long([[5, 5], [5, 5], [5, 5]]), "supplier", "season")
    np.testing.assert_allclose(found.contrasts["inflation"], 1.0)
    assert found.can_tell


def test_inflation_is_that_of_least_squares():
    data = long([[9, 1], [1, 9], [4, 6]])
    found = design_table(data, "supplier", "season").contrasts
    X = np.column_stack(
        [pd.get_dummies(data["supplier"]).to_numpy(float), data["season"] == "t1"]
    ).astype(float)
    covariance = np.linalg.inv(X.T @ X)
    c = np.array([1.0, -1.0, 0.0, 0.0])
    exact = (c @ covariance @ c) / (2 * 3 / len(data))
    assert found["inflation"].iloc[0] == pytest.approx(exact)


def test_what_never_met_cannot_be_told():
    found = design_table(long([[10, 0], [0, 10], [0, 10]]), "supplier", "season")
    assert found.contrasts["inflation"].tolist()[:2] == [np.inf, np.inf]
    assert found.contrasts["can_tell"].tolist() == [False, False, True]
    nearly = design_table(long([[30, 1], [1, 30]]), "supplier", "season")
    assert nearly.contrasts["inflation"].iloc[0] > 4 and not nearly.can_tell
    with pytest.raises(DataError, match="supplier"):
        design_table(long([[3, 3]]), "supplier", "season")
