"""What must not change when the same data are written down otherwise."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import reedlab as rl

FORMULA = "{y} ~ x + season + (x | supplier) + (1 | maker)"
FAMILIES = {"gaussian": "minutes", "binomial": "success", "ordinal": "grade"}


def fit(data: pd.DataFrame, family: str, formula: str = FORMULA):
    options = {"reml": False} if family == "gaussian" else {}
    return rl.fit(formula.format(y=FAMILIES[family]), data, family, **options)


@pytest.mark.parametrize("family", FAMILIES)
@given(seed=st.integers(0, 10_000))
@settings(max_examples=4, deadline=None)
def test_order_of_rows_and_names_of_levels(small_bench, family: str, seed: int) -> None:
    data = small_bench(seed, n=150)
    rng = np.random.default_rng(seed)
    other = data.sample(frac=1.0, random_state=seed)
    names = {name: f"z{i}" for i, name in enumerate(rng.permutation(data["supplier"].unique()))}
    other["supplier"] = other["supplier"].astype(str).map(names)
    one, two = fit(data, family), fit(other, family)
    assert two.llf == pytest.approx(one.llf, abs=1e-7)
    np.testing.assert_allclose(two.fe_params, one.fe_params, atol=1e-4)
    np.testing.assert_allclose(two.vcomp["sd"], one.vcomp["sd"], atol=1e-3)


@pytest.mark.parametrize("family", FAMILIES)
@given(
    seed=st.integers(0, 10_000),
    scale=st.sampled_from([1e-3, 0.2, 50.0]),
    shift=st.sampled_from([0.0, -3.0, 20.0]),
)
@settings(max_examples=5, deadline=None)
def test_scale_and_shift_of_a_predictor(
    small_bench, family: str, seed: int, scale: float, shift: float
) -> None:
    data = small_bench(seed, n=150)
    other = data.assign(x=scale * (data["x"] + shift))
    one, two = fit(data, family), fit(other, family)
    assert two.llf == pytest.approx(one.llf, abs=1e-6)
    slope = one.fe_params["x"]
    assert two.fe_params["x"] * scale == pytest.approx(slope, abs=2e-3 * one.bse_fe["x"])


@given(seed=st.integers(0, 10_000), scale=st.sampled_from([1e-3, 50.0]))
@settings(max_examples=4, deadline=None)
def test_scale_under_reml_moves_the_criterion_by_its_constant(
    small_bench, seed: int, scale: float
) -> None:
    """The restricted likelihood holds log det X'V^-1X, so a scale c adds log c."""
    data = small_bench(seed, n=150)
    formula = "minutes ~ x + (x || supplier)"
    one = rl.fit(formula, data)
    two = rl.fit(formula, data.assign(x=scale * data["x"]))
    assert two.llf + np.log(scale) == pytest.approx(one.llf, abs=1e-6)
    np.testing.assert_allclose(two.bse_fe["x"] * scale, one.bse_fe["x"], rtol=1e-3)


def test_a_large_mean_loses_no_digits(small_bench) -> None:
    data = small_bench(5)
    one = rl.fit("minutes ~ x + (1 | supplier)", data)
    two = rl.fit("minutes ~ x + (1 | supplier)", data.assign(minutes=data["minutes"] + 1e7))
    assert two.llf == pytest.approx(one.llf, abs=1e-5)
    assert two.fe_params["x"] == pytest.approx(one.fe_params["x"], rel=1e-5)


def test_counts_and_single_trials_agree(small_bench) -> None:
    """Rows of one cell added up to counts give the same fit but for the binomial constant."""
    data = small_bench(2, n=300)
    rows = rl.fit("success ~ season + (1 | supplier)", data, "binomial")
    counts = data.groupby(["supplier", "season"], observed=True)["success"].agg(["sum", "size"])
    added = rl.fit("sum ~ season + (1 | supplier)", counts.reset_index(), "binomial", trials="size")
    np.testing.assert_allclose(added.fe_params, rows.fe_params, atol=1e-5)
    np.testing.assert_allclose(added.vcomp["sd"], rows.vcomp["sd"], atol=1e-4)


def test_the_frame_is_left_as_it_was(small_bench) -> None:
    data = small_bench(1)
    before = data.copy(deep=True)
    rl.fit("success ~ x + season + (1 | supplier/lot)", data, "binomial")
    pd.testing.assert_frame_equal(data, before)
