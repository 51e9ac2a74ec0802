"""Zero variances, which most small benches have at the optimum."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import reedlab as rl
from reedlab.mixed.engine.fitted import fit_design


@pytest.mark.parametrize(("family", "benches"), [("binomial", 20), ("gaussian", 40)])
def test_no_small_bench_ends_below_the_best_of_five_starts(
    bench_design, family: str, benches: int
) -> None:
    """The ordinary fit of 60 benches in all, each against five random starts of θ."""
    singular = 0
    for seed in range(benches):
        design = bench_design(seed, family)
        fit = fit_design(design, family)
        rng = np.random.default_rng(seed)
        starts = np.exp(rng.normal(-1.0, 1.0, (5, design.n_theta)))
        best = max(fit_design(design, family, start=start).llf for start in starts)
        assert fit.converged, seed
        assert np.isfinite(fit.theta).all() and np.isfinite(fit.beta).all(), seed
        assert fit.llf >= best - 1e-5, seed
        singular += bool(fit.singular)
    assert singular > benches / 2  # the boundary is the normal case


def test_a_zero_is_told_with_its_term_and_what_to_do(small_bench) -> None:
    data = small_bench(3, n=200, sds=(0.0, 0.0))
    fit = rl.fit("minutes ~ x + (1 | supplier/lot)", data)
    assert fit.singular
    assert set(fit.singular_terms) <= {"supplier", "supplier:lot"}
    zero = fit.vcomp.set_index("group").loc[list(fit.singular_terms), "sd"]
    assert (zero == 0.0).all()
    assert any("estimated as 0" in note and "posterior()" in note for note in fit.notes)
    np.testing.assert_array_equal(
        fit.random_effects.query("group in @fit.singular_terms")["mode"], 0.0
    )


def test_a_rank_deficient_covariance_of_slopes_is_found() -> None:
    """A slope that is exactly twice the intercept's deviation leaves one direction empty."""
    rng = np.random.default_rng(2)
    group, x = np.repeat(np.arange(12), 10), rng.normal(size=120)
    b = rng.normal(size=12)
    y = 1.0 + x + b[group] * (1.0 + 2.0 * x) + rng.normal(0, 0.5, 120)
    fit = rl.fit("y ~ x + (x | g)", pd.DataFrame({"y": y, "x": x, "g": group}))
    assert fit.converged
    corr = fit.vcomp["corr"].iloc[1]
    assert fit.singular == (corr == pytest.approx(1.0, abs=1e-9))
    assert corr > 0.98


def test_two_zeros_of_groupings_that_are_alike_are_proved() -> None:
    """Where rounding leaves the search a hair off its bound, the bound is still where it ended."""
    minutes = [22, 37, 29, 24, 25, 28, 36, 33, 31, 21, 29]
    data = pd.DataFrame({"log_min": np.log(minutes).round(3), "supplier": list("ccc" + "o" * 8)})
    fit = rl.fit("log_min ~ 1 + (1 | supplier/lot)", data.assign(lot=data["supplier"]))
    assert fit.converged and fit.singular_terms == ("supplier", "supplier:lot")


@pytest.mark.filterwarnings("ignore::reedlab.errors.SeparationWarning")
@pytest.mark.filterwarnings("ignore::reedlab.errors.ConvergenceWarning")
def test_a_covariance_that_grows_without_bound_is_no_breakdown() -> None:
    """Slopes by lots of one to three reeds, most of one outcome: the search drifts far out."""
    cells = [("l0", "a", 0, 1), ("l0", "b", 0, 1), ("l1", "b", 2, 2), ("l2", "a", 1, 1),
             ("l2", "b", 2, 2), ("l3", "a", 1, 2), ("l3", "b", 3, 3), ("l4", "b", 2, 2),
             ("l5", "a", 0, 1), ("l5", "b", 0, 2)]  # fmt: skip
    rows = [(lot, m, float(i < good)) for lot, m, good, n in cells for i in range(n)]
    data = pd.DataFrame(rows, columns=["lot", "m", "good"])
    fit = rl.fit("good ~ m + (m | lot)", data, "binomial")
    assert np.isfinite(fit.fitted.theta).all()
    assert fit.fitted.covariances[0].max() > 1e3  # and said by a note
    assert fit.notes
