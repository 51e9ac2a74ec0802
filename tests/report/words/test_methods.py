"""The methods paragraph says what the fit and the posterior did, whatever they were."""

import re
from importlib.metadata import version

import numpy as np
import pandas as pd
import pytest

import reedlab as rl
from reedlab.errors import ModelError
from reedlab.mixed.gaps import missing
from reedlab.mixed.posterior.priors import Priors
from reedlab.report.words import methods


@pytest.fixture(scope="module")
def reeds():
    rng = np.random.default_rng(5)
    supplier = np.repeat([*"abcd"], 30)
    lot = np.repeat(np.arange(12), 10).astype(str)
    frame = pd.DataFrame({"supplier": supplier, "lot": lot, "x": rng.normal(size=120)})
    frame["good"] = (rng.random(120) < 0.6).astype(float)
    frame["minutes"] = 30 + 3 * frame["x"] + rng.normal(0, 4, 120)
    frame.loc[:6, "x"] = np.nan
    return frame


def test_it_names_model_rows_terms_priors_and_draws(reeds):
    fit = rl.fit("good ~ scale(x) + (1 | supplier/lot)", reeds, family="binomial")
    post = fit.posterior(seed=3, priors=Priors(sd_scale=0.5))
    text = methods.paragraph(fit, post, rows="settled reeds")
    assert "good of 113 settled reeds was modelled with a binomial mixed model" in text
    assert "7 rows were left out for want of x (7)." in text
    assert "intercepts by supplier (4 levels) and intercepts by lot within supplier" in text
    assert "half-normal with scale 0.5" in text and "seed 3" in text
    assert f"{len(post.sample.points)} draws" in text
    assert ("boundary" in text) == fit.singular


def test_it_names_the_way_of_estimating(reeds):
    whole = reeds.dropna()
    formula = "minutes ~ x + (x || lot)"
    by_reml, by_ml = (methods.paragraph(rl.fit(formula, whole, reml=r)) for r in (True, False))
    assert "by restricted maximum likelihood" in by_reml and "by maximum likelihood" in by_ml
    assert re.search(
        r"intercepts by lot .* and slopes of x by lot|slopes of x, uncorrelated", by_ml
    )
    assert "None of these rows lacked a value." in by_ml and "Priors" not in by_ml
    assert "The search converged." in by_ml
    nodes = rl.fit("good ~ 1 + (1 | lot)", whole, family="binomial", quadrature=9)
    assert "9 nodes of adaptive quadrature" in methods.paragraph(nodes)


def test_it_says_that_a_search_did_not_converge_and_why(reeds):
    text = methods.paragraph(
        rl.fit("good ~ copy + (1 | lot)", reeds.assign(copy=reeds["good"]), family="binomial")
    )
    assert "did not converge (separation by copy): do not use the estimates." in text


def test_it_names_trials_grades_and_every_prior(reeds):
    lots = reeds.groupby(["supplier", "lot"])["good"].agg(["sum", "size"]).reset_index()
    lots = lots.astype({"sum": float})
    counted = rl.fit("sum ~ 1 + (1 | supplier)", lots, family="binomial", trials="size")
    assert "response sum, successes out of size, of 12 reeds" in methods.paragraph(counted)

    priors = Priors(by_group={"lot": 0.3})
    sloped = rl.fit("good ~ x + (x | lot) + (1 | supplier)", reeds, family="binomial")
    text = methods.paragraph(sloped, sloped.posterior(priors=priors))
    assert "half-normal with scale 0.3 (lot) and 0.75 (supplier)" in text
    assert "of slopes, per standard deviation of their predictor" in text
    assert "LKJ with shape 2" in text and "normal (0, 2.5) for the intercept" in text

    third = pd.qcut(reeds["minutes"], 3, labels=["C", "B", "A"])
    ordered = rl.fit("grade ~ 1 + (1 | lot)", reeds.assign(grade=third), family="ordinal")
    text = methods.paragraph(ordered, ordered.posterior())
    assert "grade (ordered: C < B < A)" in text
    assert "normal (0, 5) for each threshold" in text and "intercept at" not in text


def test_it_says_which_groupings_cannot_be_distinguished(reeds):
    one_lot_each = reeds.assign(lot=reeds["supplier"])
    fit = rl.fit("minutes ~ 1 + (1 | supplier/lot)", one_lot_each)
    assert "The levels of supplier and supplier:lot are the same" in methods.paragraph(fit)
    assert "are the same" not in methods.paragraph(
        rl.fit("minutes ~ 1 + (1 | supplier/lot)", reeds)
    )


def test_it_says_how_missing_readings_were_filled_in(reeds):
    formula = "good ~ x + (1 | supplier/lot)"
    filled = missing.fit_filled(formula, reeds, "binomial", m=2, draws=400)
    text = methods.paragraph(rl.fit(formula, reeds, family="binomial"), filled)
    assert "The posterior is of 120 rows: readings that were missing, of x (7), were filled" in text
    assert "2 times by chained equations of 10 cycles" in text and "400 draws" in text


def test_the_posterior_of_another_model_is_refused(reeds):
    ours = rl.fit("good ~ x + (1 | lot)", reeds, family="binomial")
    other = rl.fit("good ~ 1 + (1 | lot)", reeds, family="binomial").posterior(draws=50)
    filled = missing.fit_filled("good ~ x + (1 | supplier)", reeds, "binomial", m=2, draws=40)
    for theirs in (other, filled):
        with pytest.raises(ModelError, match=r"is that of 'good ~ .* ask the fit that it is from"):
            methods.paragraph(ours, theirs)


def test_the_software_sentence_names_what_is_installed():
    assert f"numpy {version('numpy')}" in methods.software()
