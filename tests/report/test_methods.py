"""The methods paragraph says what the fit and the posterior did, whatever they were."""

import re
from importlib.metadata import version

import numpy as np
import pandas as pd
import pytest

import reedlab as rl
from reedlab.mixed.priors import Priors
from reedlab.report import methods


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
    told = methods.paragraph(fit, post, rows="settled reeds")
    assert "good of 113 settled reeds was modelled with a binomial mixed model" in told
    assert "7 rows were left out for want of x (7)." in told
    assert "intercepts by supplier (4 levels) and intercepts by lot within supplier" in told
    assert "half-normal with scale 0.5" in told and "seed 3" in told
    assert f"{len(post.sample.points)} draws" in told
    assert ("boundary" in told) == fit.singular


def test_it_tells_the_ways_of_estimating_apart(reeds):
    whole = reeds.dropna()
    formula = "minutes ~ x + (x || lot)"
    by_reml, by_ml = (methods.paragraph(rl.fit(formula, whole, reml=r)) for r in (True, False))
    assert "by restricted maximum likelihood" in by_reml and "by maximum likelihood" in by_ml
    assert re.search(
        r"intercepts by lot .* and slopes of x by lot|slopes of x, uncorrelated", by_ml
    )
    assert "No row was left out." in by_ml and "Priors" not in by_ml
    nodes = rl.fit("good ~ 1 + (1 | lot)", whole, family="binomial", quadrature=9)
    assert "9 nodes of adaptive quadrature" in methods.paragraph(nodes)


def test_the_software_sentence_names_what_is_installed():
    assert f"numpy {version('numpy')}" in methods.software()
