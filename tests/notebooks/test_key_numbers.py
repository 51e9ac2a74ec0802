"""The notebooks' key numbers, asked of the library again, with tolerances instead of digits.

The demo is invented data; what is checked here is that two libraries agree on it, and that the
stored notebooks say what the library says today.
"""

import nbformat
import numpy as np
import pytest

import reedlab as rl
from reedlab.decide import suppliers
from reedlab.decide.evidence import gather
from reedlab.decide.models import Spec, formula_of
from reedlab.paths import shipped
from reedlab.report import beside, effects

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
    theirs, _ = beside.single_grouping(fixed, good(reeds), "lot")
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
    average = beside.gee(formula.split(" + (1")[0], measured, "lot")
    expected = beside.averaged(fit.fe_params, fit.vcomp["variance"].sum())
    assert (np.abs(expected - average["averaged"]) < 0.5 * average["se"]).all()


def test_the_stored_answers_are_what_the_library_says(bench, reeds):
    assert stored("04-suppliers", "answer") == suppliers.compare(bench).sentence()
    formula = "log_scrape_min ~ " + formula_of(good(reeds), Spec())
    post = rl.fit(formula, good(reeds)).posterior(seed=1)
    middle, low, high = effects.typical(post)
    said = stored("03-scrape-time", "answer")
    assert f"about {middle:.0f} minutes of scraping ({low:.0f} to {high:.0f}" in said


def test_the_typical_time_lies_among_the_times(reeds):
    """The posterior median of an average lot against plain description: the lots' own medians."""
    formula = "log_scrape_min ~ " + formula_of(good(reeds), Spec())
    middle, low, high = effects.typical(rl.fit(formula, good(reeds)).posterior(seed=1))
    medians = good(reeds).groupby("lot", observed=True)["scrape_min"].median()
    assert low < middle < high
    assert medians.quantile(0.25) < middle < medians.quantile(0.75)
