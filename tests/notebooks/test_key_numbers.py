"""The notebooks' key numbers, asked of the library again, with tolerances instead of digits.

The demo is invented data; what is checked here is that two libraries agree on it. That the stored
notebooks say what the library says today is what running them again compares.
"""

import numpy as np
import pytest
from scipy.special import expit

import reedlab as rl
from reedlab.report import display

CANE = ("density_g_cm3", "gouge_centre_mm")


@pytest.fixture(scope="module")
def bench():
    return rl.demo_bench()


@pytest.fixture(scope="module")
def reeds(bench):
    return bench.reeds[bench.reeds["settled"]].dropna(subset=["supplier", "success"])


@pytest.fixture(scope="module")
def minutes(reeds):
    return rl.fit_reeds("log_scrape_min", reeds[reeds["success"] == 1])


@pytest.fixture(scope="module")
def success(reeds):
    measured = reeds.dropna(subset=[*CANE])
    terms = [f"{part}({column}, lot)" for column in CANE for part in ("between", "within")]
    return rl.fit_reeds("success", measured, *terms)


def test_scrape_time_agrees_with_statsmodels_mixedlm(minutes):
    """Both maximise the same restricted likelihood: statsmodels 0.15, MixedLM, lots alone."""
    table = display.beside_mixedlm(minutes, "lot")
    apart = (table["reedlab"] - table["statsmodels"]).abs()
    assert apart["log-likelihood"] < 1e-4
    assert (apart[minutes.fe_params.index] < 0.01 * minutes.bse_fe).all()
    assert apart["sd lot"] < 1e-3 and apart["sd Residual"] < 1e-4


def test_success_agrees_with_the_population_averaged_view(success):
    """Zeger, Liang and Albert (1988): a coefficient within lots, averaged over the lots, is what
    the GEE estimates; the two estimators differ by less than half of a standard error here."""
    table = display.beside_gee(success, "lot")
    assert table["within_lots"].tolist() == success.fe_params.tolist()
    assert ((table["expected"] - table["gee"]).abs() < 0.5 * table["gee_se"]).all()


def test_the_average_effect_of_the_maker_is_the_population_averaged_one(success):
    """The GEE (statsmodels) models the chance averaged over lots itself; its mean difference
    between makers and the mixed model's, effects integrated out, agree within half of its error."""
    X, names = success.fitted.design.X, list(success.fe_params.index)
    gee = display.beside_gee(success, "lot")["gee"].to_numpy()
    at = names.index("maker[T.RS]")
    ends = [np.delete(X, at, 1) @ np.delete(gee, at) + maker * gee[at] for maker in (0, 1)]
    theirs = (expit(ends[1]) - expit(ends[0])).mean()
    ours = success.effects("maker").iloc[0]
    assert ours["estimate"] == pytest.approx(theirs, abs=0.5 * ours["se"])


def test_held_out_lots_are_predicted_better_than_by_the_share_of_good_reeds(success):
    """Brier's score by hand: predictions separate the reeds by more than they miss."""
    found = success.calibration("lot")
    predictions = found.predictions
    assert predictions.groupby("level")["fold"].nunique().max() == 1
    assert found.brier["score"] == pytest.approx(((predictions["share"] - predictions["predicted"]) ** 2).mean())
    assert found.brier["score"] < found.brier["uncertainty"]
    assert found.brier["reliability"] < found.brier["resolution"]


def test_alikeness_of_reeds_is_that_of_the_variances(success):
    """On the logit scale the distribution's own variance is π²/3 (Nakagawa et al. 2017)."""
    variances = success.vcomp.set_index("group")["variance"]
    whole = variances.sum() + np.pi**2 / 3
    assert success.icc()["adjusted"]["supplier:lot"] == pytest.approx(
        variances["supplier:lot"] / whole
    )
    assert 0 < success.r_squared()["marginal"] < success.r_squared()["conditional"] < 0.5


def test_the_typical_time_lies_among_the_times(minutes):
    """The posterior median of an average lot against plain description: the lots' own medians."""
    middle, low, high = display.typical(minutes.posterior(seed=1, priors=rl.Priors.log_minutes()))
    medians = minutes.data.groupby("lot", observed=True)["scrape_min"].median()
    assert low < middle < high
    assert medians.quantile(0.25) < middle < medians.quantile(0.75)
