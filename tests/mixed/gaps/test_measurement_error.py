"""Measurement error: exact algebra on the calibration, and benches whose truth is known."""

import numpy as np
import pandas as pd
import pytest

import reedlab as rl
from reedlab.errors import DataError, FormulaError, ModelError
from reedlab.mixed.design.matrices import build
from reedlab.mixed.engine.fitted import fit_design
from reedlab.mixed.gaps.measurement_error import ReadingError, expect_truth

FORMULA = "y ~ hardness + maker + (1 | supplier/lot)"


def bench(rng, reliability=0.7, slope=0.6, family="gaussian", lots=12, reeds=15):
    """A made-up bench: truth with sd 1 within lots, readings of the given reliability there."""
    lot = np.repeat(np.arange(lots), reeds)
    supplier, n, sd = lot // 4, len(lot), np.sqrt(1 / reliability - 1)
    truth = rng.normal(0, 0.4, lots)[lot] + rng.normal(size=n)
    maker = rng.integers(2, size=n)
    eta = 0.4 + slope * truth - 0.3 * maker + rng.normal(0, 0.3, lots)[lot]
    logistic = (rng.random(n) < 1 / (1 + np.exp(-eta))).astype(float)
    data = pd.DataFrame(
        {
            "y": logistic if family == "binomial" else eta + rng.normal(size=n),
            "hardness": 14 + truth + rng.normal(0, sd, n),
            "truth": 14 + truth,
            "supplier": pd.Categorical([f"s{i}" for i in supplier]),
            "lot": pd.Categorical([f"l{i}" for i in lot]),
            "maker": pd.Categorical(np.where(maker, "b", "a")),
        }
    )
    return data, float(sd)


def corrected(data, sd, formula=FORMULA, family="gaussian", replicates=2, **options):
    return rl.fit_corrected(
        formula, data, family, reading_error={"hardness": sd}, replicates=replicates, **options
    )


def test_the_expected_truth_is_the_conditional_mean_of_a_joint_normal():
    # E(x | w) = w - sd² V⁻¹ (w - Zγ) with V the covariance of the readings: Carroll et al. (2006),
    # 4.4; here with the dense V of a mixed model.
    data, sd = bench(np.random.default_rng(1))
    design, _ = build("hardness ~ maker + (1 | supplier/lot)", data, "gaussian")
    fitted = fit_design(design, "gaussian")
    V = fitted.sigma**2 * np.eye(design.n)
    for term, cov in zip(design.terms, fitted.covariances):
        V += cov[0, 0] * (term.index[:, None] == term.index[None, :])
    expected = design.y - sd**2 * np.linalg.solve(V, design.y - design.X @ fitted.beta)
    np.testing.assert_allclose(expect_truth(fitted, sd), expected, atol=1e-8)


def test_without_groups_it_is_the_textbooks_division_by_the_reliability():
    # Carroll et al. (2006), 3.2: in y ~ w the slope is λ times the true one.
    rng = np.random.default_rng(8)
    data, sd = bench(rng)
    data["lot"] = rng.permutation(data["lot"])  # lots that mean nothing
    data["supplier"] = data["lot"].str[1:].astype(int) // 4
    found = corrected(data, sd, "y ~ hardness + (1 | supplier/lot)")
    calibration, _ = build("hardness ~ 1 + (1 | supplier/lot)", data, "gaussian")
    assert fit_design(calibration, "gaussian").singular == (0, 1)
    reliability = 1 - sd**2 / data["hardness"].var()
    assert found.reliability.loc["hardness", "reliability"] == pytest.approx(reliability, abs=1e-6)
    row = found.summary().loc["hardness"]
    assert row["corrected"] == pytest.approx(row["uncorrected"] / reliability, rel=1e-6)


@pytest.mark.parametrize("family", ["gaussian", "binomial"])
def test_the_slope_is_no_longer_flattened(family):
    # The means over 40 benches; `tests/benchmarks/measurement_error.py` counts 600.
    slopes = []
    for child in np.random.SeedSequence(3).spawn(40):
        data, sd = bench(np.random.default_rng(child), 0.7, family=family, lots=12, reeds=25)
        slopes.append(corrected(data, sd, family=family).summary().loc["hardness"].iloc[:2])
    off = pd.DataFrame(slopes).mean() - 0.6
    assert off["uncorrected"] < -0.12
    # A fifth of the uncorrected bias, and two Monte Carlo standard errors of these few benches.
    noise = 2 * pd.DataFrame(slopes)["corrected"].std() / np.sqrt(40)
    assert abs(off["corrected"]) < abs(off["uncorrected"]) / 5 + noise
    assert noise < 0.08


def test_the_bootstraps_standard_error_is_the_spread_over_benches():
    spread = [
        corrected(*bench(np.random.default_rng(child), 0.8)).fe_params["hardness"]
        for child in np.random.SeedSequence(4).spawn(60)
    ]
    errors = [
        corrected(*bench(np.random.default_rng(child), 0.8), replicates=50).bse_fe["hardness"]
        for child in np.random.SeedSequence(5).spawn(3)
    ]
    assert np.mean(errors) == pytest.approx(np.std(spread), rel=0.3)


def test_an_error_known_from_few_readings_widens_the_interval():
    data, sd = bench(np.random.default_rng(6), 0.75)
    sure = corrected(data, sd, replicates=40)
    unsure = corrected(data, ReadingError(sd, df=12), replicates=40)
    assert unsure.fe_params.equals(sure.fe_params)
    assert unsure.bse_fe["hardness"] > 1.2 * sure.bse_fe["hardness"]
    rng = np.random.default_rng(7)
    drawn = np.array([ReadingError(2.0, 12).draw(rng) for _ in range(20_000)])
    assert (drawn**-2.0).mean() == pytest.approx(2.0**-2, rel=0.02)  # χ²/ν has mean one


def test_through_fit_and_twice_the_same():
    data, sd = bench(np.random.default_rng(8), 0.8, reeds=8)
    first = rl.fit_corrected(FORMULA, data, reading_error={"hardness": sd})
    again = corrected(data, sd, replicates=5)
    np.testing.assert_allclose(again.draws, first.draws.head(5), rtol=1e-10)
    plain = rl.fit(FORMULA, data)
    np.testing.assert_allclose(first.summary()["uncorrected"], plain.fe_params)
    shown = repr(first)  # what stands at a prompt: tables, not the arrays of two fits
    assert "uncorrected" in shown and "reliability" in shown and len(shown) < 2000
    row = first.summary().loc["hardness"]
    assert row["corrected"] > row["uncorrected"] and row["low"] < row["corrected"] < row["high"]
    assert first.clusters == 12 and len(first.draws) == 200 and first.notes == ()


def test_rows_without_a_reading_are_left_out_as_fit_leaves_them_out():
    data, sd = bench(np.random.default_rng(9), 0.8)
    data.loc[[3, 50], "hardness"] = np.nan
    data.loc[100, "maker"] = np.nan
    found = corrected(data, sd)
    assert found.corrected.design.n == len(data) - 3
    assert data["hardness"].isna().sum() == 2  # what was passed in is as it was


def test_scaled_quantities_stay_in_sds_of_the_readings():
    data, sd = bench(np.random.default_rng(10), 0.8)
    plain, scaled = (corrected(data, sd, FORMULA.replace("hardness", x)) for x in
                     ("hardness", "scale(hardness)"))  # fmt: skip
    slope = plain.fe_params["hardness"] * data["hardness"].std()
    assert scaled.fe_params["scale(hardness)"] == pytest.approx(slope, rel=1e-4)


def test_slopes_within_and_between_lots_are_corrected_each_by_its_own_share():
    # Between lots a mean of 15 readings is nearly true: little flattened, little corrected.
    data, sd = bench(np.random.default_rng(11), 0.7, lots=40)
    formula = "y ~ within(hardness, lot) + between(hardness, lot) + (1 | lot)"
    table = corrected(data, sd, formula, replicates=4).summary()
    ratio = table["corrected"] / table["uncorrected"]
    assert ratio["within(hardness, lot)"] == pytest.approx(1 / 0.7, rel=0.12)
    lot_mean = 0.16 / (0.16 + (1 + sd**2) / 15)  # reliability of a lot's mean, known lots' sd 0.4
    assert 1.0 < ratio["between(hardness, lot)"] < 1.1 / lot_mean


def test_poor_readings_are_refused_and_weak_ones_cautioned():
    data, sd = bench(np.random.default_rng(12), 0.4)
    with pytest.raises(ModelError, match=r"below 0\.5.*mean of several readings"):
        corrected(data, sd)
    data, sd = bench(np.random.default_rng(13), 0.62)
    (note,) = corrected(data, sd).notes
    assert note.startswith("Caution: hardness has a reliability of 0.6")


@pytest.mark.parametrize(
    ("column", "sd", "error", "words"),
    [
        ("maker", 1.0, FormulaError, "not a measured quantity"),
        ("density", 1.0, FormulaError, "not a measured quantity"),
        ("hardness", 0.0, DataError, "above zero"),
        ("hardness", np.nan, DataError, "above zero"),
        ("hardness", None, DataError, "reading error of 'hardness' is not known: read ten pieces"),
    ],
)
def test_what_cannot_be_corrected_is_named(column, sd, error, words):
    data, _ = bench(np.random.default_rng(14))
    with pytest.raises(error, match=words):
        rl.fit_corrected(FORMULA, data, reading_error={column: sd})


@pytest.mark.parametrize(
    ("given", "error", "words"),
    [
        ({}, ModelError, "reading_error= names no column: give one with its error"),
        (0.01, ModelError, "reading_error= names no column"),
        ({"hardness": object()}, DataError, "is a object: give a number, or the `error` of"),
        ({"hardness": "0.4"}, DataError, "is a str: give a number"),
    ],
)
def test_an_error_that_is_no_number_is_refused(given, error, words):
    data, _ = bench(np.random.default_rng(14))
    with pytest.raises(error, match=words):
        rl.fit_corrected(FORMULA, data, reading_error=given)


def test_grades_are_not_corrected():
    data, sd = bench(np.random.default_rng(15))
    data["y"] = pd.cut(data["y"], 3, labels=["C", "B", "A"])
    with pytest.raises(ModelError, match="ordinal"):
        rl.fit_corrected(FORMULA, data, "ordinal", reading_error={"hardness": sd})


def test_a_model_without_finite_estimates_is_not_corrected():
    data, sd = bench(np.random.default_rng(16))
    data["good"] = (data["y"] > data["y"].median()).astype(float)
    alone = data.index % 10 == 0
    data["shape"] = np.where(alone, "r", "q")
    formula = "good ~ hardness + shape + (1 | lot)"
    assert rl.fit_corrected(
        formula, data, "binomial", reading_error={"hardness": sd}, replicates=5
    ).draws.shape == (5, 3)
    data.loc[alone, "good"] = 1.0
    with pytest.raises(ModelError, match=r"^Separation leaves shape\[T.r\] of .* merge levels"):
        rl.fit_corrected(formula, data, "binomial", reading_error={"hardness": sd})


def test_resampled_benches_that_separate_are_not_counted():
    """One failure among a shape's reeds: in a third of the resampled benches there is none."""
    data, sd = bench(np.random.default_rng(17))
    data["good"] = (data["y"] > data["y"].median()).astype(float)
    alone = data["lot"].isin(sorted(set(data["lot"]))[:6]) & (data.index % 3 == 0)
    data["shape"] = np.where(alone, "r", "q")
    data.loc[alone, "good"] = 1.0
    data.loc[data.index[alone][0], "good"] = 0.0
    with pytest.raises(ModelError, match=r"\d+ of 20 resampled benches do not determine the model"):
        rl.fit_corrected(
            "good ~ hardness + shape + (1 | lot)",
            data,
            "binomial",
            reading_error={"hardness": sd},
            replicates=20,
        )
