"""R², ICC and collinearity against performance; influence, residuals and calibration by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from reedlab.errors import ModelError
from reedlab.mixed import fit


@pytest.mark.parametrize("name", ["sleepstudy", "pastes", "cake", "cbpp", "verbagg"])
def test_r_squared_and_icc_are_performances(open_fit, told, name):
    model, theirs = open_fit(name), told["adequacy"][name]
    assert model.icc().loc["all groups", "adjusted"] == pytest.approx(
        theirs["icc_adjusted"], abs=1e-4
    )
    assert model.icc().loc["all groups", "unadjusted"] == pytest.approx(
        theirs["icc_unadjusted"], abs=1e-4
    )
    assert model.r_squared()["marginal"] == pytest.approx(theirs["r2_marginal"], abs=1e-4)
    assert model.r_squared()["conditional"] == pytest.approx(theirs["r2_conditional"], abs=1e-4)


def test_collinearity_is_performances(open_data, told):
    data = open_data("cake")
    data["temp"] += 3 * (data["recipe"] == "B")
    found = fit("angle ~ recipe + temp + (1 | recipe:replicate)", data).collinearity()
    for term, vif in told["collinearity"].items():
        assert found.loc[term, "vif"] == pytest.approx(vif, abs=1e-5)


def test_influence_is_refitting_without_the_rows(open_fit, open_data):
    model, data = open_fit("sleepstudy_intercept"), open_data("sleepstudy_intercept")
    found = model.influence("Subject")
    without = fit("Reaction ~ Days + (1 | Subject)", data[data["Subject"] != 308])
    change = (without.fe_params - model.fe_params) / model.bse_fe
    assert found.loc["308", "Days"] == pytest.approx(change["Days"], abs=1e-6)
    moved = (without.fe_params - model.fe_params).to_numpy()
    cook = moved @ np.linalg.inv(model.cov_fe.to_numpy()) @ moved / 2
    assert found.loc["308", "cook"] == pytest.approx(cook, rel=1e-5)
    assert found["rows"].sum() == len(data)
    with pytest.raises(ModelError, match="Subject"):
        model.influence("supplier")


def test_influence_says_nothing_where_the_rest_separates():
    """Without supplier b every hard piece fails: the slope runs away and has no size."""
    supplier, hard = np.repeat(["a", "b"], 40), np.tile([0, 1], 40)
    rng = np.random.default_rng(2)
    good = np.where(supplier == "a", (rng.random(80) < 0.5) * (1 - hard), rng.random(80) < 0.5)
    data = pd.DataFrame({"supplier": supplier, "hard": hard, "good": good.astype(float)})
    model = fit("good ~ hard + (1 | supplier)", data, family="binomial")
    found = model.influence("supplier")
    assert found.loc["b"].drop("rows").isna().all()
    assert np.isfinite(found.loc["a", "cook"])


def graded(seed: int, lots: int = 12, size: int = 15, spread: float = 0.5) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    lot = np.repeat(np.arange(lots), size)
    x = rng.normal(size=len(lot))
    eta = 0.3 + 0.8 * x + rng.normal(0, spread, lots)[lot]
    success = (rng.random(len(lot)) < expit(eta)).astype(float)
    minutes = eta + rng.normal(0, 0.5, len(lot))
    return pd.DataFrame({"success": success, "minutes": minutes, "x": x, "lot": lot.astype(str)})


def test_quantile_residuals_of_a_right_model_raise_no_alarm():
    p = []
    for seed in range(12):
        model = fit("minutes ~ x + (1 | lot)", graded(seed))
        p.append(model.residuals(n=99, seed=seed).tests["p"])
    assert np.mean(np.array(p) < 0.05) < 0.15


def test_quantile_residuals_find_heavy_tails_and_extra_spread():
    data = graded(1)
    rng = np.random.default_rng(2)
    data["minutes"] += np.where(rng.random(len(data)) < 0.03, 12.0, 0.0)
    model = fit("minutes ~ x + (1 | lot)", data)
    assert model.residuals(n=99).tests.loc["uniformity", "p"] < 0.05
    # counts of a beta-binomial are wider than a binomial's when lots are ignored
    chance = rng.beta(1.0, 1.0, 60)
    counts = pd.DataFrame({"k": rng.binomial(20, chance), "m": 20, "day": np.arange(60) // 6})
    counts["day"] = counts["day"].astype(str)
    wide = fit("k ~ 1 + (1 | day)", counts, family="binomial", trials="m")
    assert wide.residuals(n=99).tests.loc["dispersion", "p"] < 0.05


def test_held_out_lots_and_the_parts_of_the_brier_score():
    model = fit("success ~ x + (1 | lot)", graded(3), family="binomial")
    found = model.calibration("lot", folds=4, draws=400)
    b = found.brier
    assert b["score"] == pytest.approx(
        b["reliability"] - b["resolution"] + b["uncertainty"] + b["within"]
    )
    frame = found.predictions
    assert b["score"] == pytest.approx(np.mean((frame["share"] - frame["predicted"]) ** 2))
    assert frame.groupby("level")["fold"].nunique().eq(1).all()
    assert b["score"] < b["uncertainty"]
    assert found.bins["rows"].sum() == model.nobs


def test_held_out_effects_are_integrated_out():
    """With lots far apart a new lot's chance lies nearer one half than that of effect zero."""
    data = graded(4, spread=3.0)
    data["success"] = (data["success"] + (np.arange(len(data)) % 7 > 0)).clip(0, 1)
    model = fit("success ~ x + (1 | lot)", data, family="binomial")
    predicted = model.calibration("lot", folds=4, draws=400).predictions["predicted"]
    at_zero = model.predict(random=False)
    assert np.mean(np.abs(predicted - 0.5)) < np.mean(np.abs(at_zero - 0.5))
