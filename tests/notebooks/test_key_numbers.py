"""The notebooks' key numbers, asked of the library again, with tolerances instead of digits.

The demo is invented data; what is checked here is that two libraries agree on it, and that the
stored notebooks say what the library says today.
"""

import nbformat
import numpy as np
import pytest
from scipy.special import expit

import reedlab as rl
from reedlab.decide.suppliers import comparison
from reedlab.decide.evidence import gather
from reedlab.decide.models import Spec, formula_of
from reedlab.mixed.posterior.priors import Priors
from reedlab.paths import shipped
from reedlab.report import cross_checks
from reedlab.report.words import coefficients

CANE = ("density_g_cm3", "gouge_centre_mm")


@pytest.fixture(scope="module")
def bench():
    return rl.open_bench(shipped("data") / "demo")


@pytest.fixture(scope="module")
def reeds(bench):
    return gather(bench).reeds


def stored(name, tag):
    """Return the words that a stored notebook's tagged cell displays."""
    notebook = nbformat.read(shipped("notebooks") / f"{name}.ipynb", as_version=4)
    (cell,) = [cell for cell in notebook.cells if tag in cell.metadata.get("tags", [])]
    return cell.outputs[0].data["text/plain"]


def good(reeds):
    return reeds[(reeds["success"] == 1) & reeds["log_scrape_min"].notna()]


def test_scrape_time_agrees_with_statsmodels_mixedlm(reeds):
    """Both maximise the same restricted likelihood: statsmodels 0.15, MixedLM, lots alone."""
    fixed = ("log_scrape_min ~ " + formula_of(good(reeds), Spec())).split(" + (1")[0]
    ours = rl.fit(fixed + " + (1 | lot)", good(reeds))
    theirs, _ = cross_checks.single_grouping(fixed, good(reeds), "lot")
    assert ours.llf == pytest.approx(theirs["log-likelihood"], abs=1e-4)
    for name, estimate in ours.fe_params.items():
        assert estimate == pytest.approx(theirs[name], abs=0.01 * ours.bse_fe[name])
    sds = ours.vcomp.set_index("group")["sd"]
    assert sds["lot"] == pytest.approx(theirs["sd lot"], abs=1e-3)
    assert sds["Residual"] == pytest.approx(theirs["sd Residual"], abs=1e-4)


def test_success_agrees_with_the_population_averaged_view(reeds):
    """Zeger, Liang and Albert (1988): a coefficient within lots, averaged over the lots, is what
    the GEE estimates; the two estimators differ by less than half of a standard error here."""
    measured = reeds.dropna(subset=[*CANE])
    terms = tuple(f"scale({column})" for column in CANE)
    formula = "success ~ " + formula_of(measured, Spec(terms=terms))
    fit = rl.fit(formula, measured, family="binomial")
    average = cross_checks.gee(formula.split(" + (1")[0], measured, "lot")
    expected = cross_checks.averaged(fit.fe_params, fit.vcomp["variance"].sum())
    assert (np.abs(expected - average["averaged"]) < 0.5 * average["se"]).all()


@pytest.fixture(scope="module")
def success(reeds):
    measured = reeds.dropna(subset=[*CANE])
    terms = tuple(f"scale({column})" for column in CANE)
    formula = "success ~ " + formula_of(measured, Spec(terms=terms))
    return rl.fit(formula, measured, family="binomial")


def test_the_average_effect_of_the_maker_is_the_population_averaged_one(success):
    """The GEE (statsmodels) models the chance averaged over lots itself; its mean difference
    between makers and the mixed model's, effects integrated out, agree within half of its error."""
    X, names = success.fitted.design.X, list(success.fe_params.index)
    gee = cross_checks.gee(success.formula.split(" + (1")[0], success.data, "lot")["averaged"].to_numpy()
    at = names.index("maker[T.RS]")
    ends = [np.delete(X, at, 1) @ np.delete(gee, at) + maker * gee[at] for maker in (0, 1)]
    theirs = (expit(ends[1]) - expit(ends[0])).mean()
    ours = success.effects("maker").iloc[0]
    assert ours["estimate"] == pytest.approx(theirs, abs=0.5 * ours["se"])


def test_lots_held_out_are_foretold_better_than_by_the_share_of_good_reeds(success):
    """Brier's score by hand, and its parts; the intervals of most bins hold the chance foretold."""
    found = success.calibration("lot")
    told = found.predictions
    assert told.groupby("level")["fold"].nunique().max() == 1
    assert found.brier["score"] == pytest.approx(((told["share"] - told["predicted"]) ** 2).mean())
    assert found.brier["score"] < found.brier["uncertainty"]
    assert found.bins["predicted"].between(found.bins["low"], found.bins["high"]).mean() >= 0.8


def test_alikeness_of_reeds_is_that_of_the_variances(success):
    """On the logit scale the distribution's own variance is π²/3 (Nakagawa et al. 2017)."""
    variances = success.vcomp.set_index("group")["variance"]
    whole = variances.sum() + np.pi**2 / 3
    assert success.icc()["adjusted"]["supplier:lot"] == pytest.approx(
        variances["supplier:lot"] / whole
    )
    assert 0 < success.r_squared()["marginal"] < success.r_squared()["conditional"] < 0.5


def test_the_stored_answers_are_what_the_library_says(bench, reeds):
    assert stored("04-suppliers", "answer") == comparison.compare(bench).sentence()
    formula = "log_scrape_min ~ " + formula_of(good(reeds), Spec())
    post = rl.fit(formula, good(reeds)).posterior(seed=1, priors=Priors.log_minutes())
    middle, low, high = coefficients.typical(post)
    said = stored("03-scrape-time", "answer")
    assert f"about {middle:.0f} minutes of scraping ({low:.0f} to {high:.0f}" in said


def test_the_typical_time_lies_among_the_times(reeds):
    """The posterior median of an average lot against plain description: the lots' own medians."""
    formula = "log_scrape_min ~ " + formula_of(good(reeds), Spec())
    post = rl.fit(formula, good(reeds)).posterior(seed=1, priors=Priors.log_minutes())
    middle, low, high = coefficients.typical(post)
    medians = good(reeds).groupby("lot", observed=True)["scrape_min"].median()
    assert low < middle < high
    assert medians.quantile(0.25) < middle < medians.quantile(0.75)
