"""Intervals of predictions, against R, against closed forms and against simulated truths.

Reference: ``tests/reference/asked_of_fits.R``: standard errors from lme4's matrices at its θ, from
glmmTMB (which count the variances' own uncertainty too) and from R's lm.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

import reedlab as rl
from reedlab.errors import ModelError, PredictionError

Z = norm.ppf(0.975)


def half(table: pd.DataFrame) -> np.ndarray:
    return ((table["high"] - table["low"]) / 2).to_numpy()


def test_known_levels_by_the_delta_method(asked, weighted, orthodont):
    rows = asked["predicted"]["rows"]
    found = weighted.predict(interval="mean", method="delta")
    np.testing.assert_allclose(half(found)[rows] / Z, asked["predicted"]["weighted"], rtol=2e-4)
    np.testing.assert_allclose(found["mean"], weighted.predict())
    plain = rl.fit("distance ~ age * Sex + (age | Subject)", orthodont)
    found = plain.predict(orthodont.iloc[rows], interval="mean", method="delta")
    np.testing.assert_allclose(half(found) / Z, asked["predicted"]["unweighted"], rtol=2e-4)
    glmmTMB = np.array(asked["predicted"]["glmmTMB"])
    assert (half(found) / Z <= glmmTMB).all() and (half(found) / Z > 0.85 * glmmTMB).all()


def test_new_levels_by_the_delta_method(asked, weighted, orthodont):
    rows = asked["predicted"]["rows"]
    data = orthodont.iloc[rows].assign(Subject="somebody else")
    found = weighted.predict(data, "Subject", interval="mean", method="delta")
    np.testing.assert_allclose(half(found) / Z, asked["predicted"]["population"], rtol=1e-5)
    new = weighted.predict(data, "Subject", interval="new", method="delta")
    Sigma = weighted.fitted.covariances[0]
    z = np.column_stack([np.ones(len(rows)), data["age"]])
    variance = np.square(asked["predicted"]["population"]) + np.einsum("nk,kj,nj->n", z, Sigma, z)
    variance += weighted.fitted.sigma**2 / data["w"]
    np.testing.assert_allclose(half(new) / Z, np.sqrt(variance), rtol=1e-4)


def test_a_linear_model_without_groups(asked, birth):
    model, lm = rl.fit("bwt ~ lwt + smoke * race", birth), asked["predicted"]["linear"]
    mean = model.predict(birth.head(3), interval="mean", method="delta")
    np.testing.assert_allclose(mean["mean"], lm["fit"])
    np.testing.assert_allclose(half(mean) / Z, lm["se"])
    new = model.predict(birth.head(3), interval="new", method="delta")
    np.testing.assert_allclose(half(new) / Z, np.hypot(lm["se"], lm["sigma"]))
    post = model.predict(birth.head(3), interval="new", level=0.9)
    np.testing.assert_allclose(
        half(post) / norm.ppf(0.95), np.hypot(lm["se"], lm["sigma"]), rtol=0.05
    )


def test_chances_of_known_levels(asked, bacteria):
    model = rl.fit("good ~ trt + week + (1 | ID)", bacteria, "binomial")
    rows, glmmTMB = asked["predicted"]["rows"], asked["predicted"]["binary"]
    link = model.predict(interval="mean", method="delta", link=True).iloc[rows]
    np.testing.assert_allclose(link["link"], glmmTMB["fit"], rtol=5e-3)
    ratio = half(link) / Z / np.array(glmmTMB["se"])
    assert (ratio < 1.02).all() and (ratio > 0.75).all()
    chance = model.predict(interval="mean", method="delta").iloc[rows]
    np.testing.assert_allclose(chance, 1 / (1 + np.exp(-link.to_numpy())))


def test_posterior_and_delta_agree_on_the_mean_of_a_new_level(orthodont):
    model = rl.fit("distance ~ age + (1 | Subject)", orthodont)
    data = orthodont.iloc[[0, 3]].assign(Subject="new")
    post = model.predict(data, "Subject", interval="mean")
    delta = model.predict(data, "Subject", interval="mean", method="delta")
    np.testing.assert_allclose(post["mean"], delta["mean"], atol=0.1)
    np.testing.assert_allclose(half(post), half(delta), rtol=0.12)


def test_chances_of_a_new_level_are_averaged_over_levels(bacteria):
    model = rl.fit("good ~ week + (1 | ID)", bacteria, "binomial")
    post = model.posterior(draws=2000)
    data = bacteria.head(2).assign(ID="new")
    found = model.predict(data, "ID", interval="mean", method=post)
    # the mean over many new levels, draw by draw, from the posterior's own new levels
    many = pd.concat([data.head(1)] * 400).assign(ID=[f"n{i}" for i in range(400)])
    by_draw = post.predict(many, "ID").mean(axis=1)
    assert found["mean"].iloc[0] == pytest.approx(by_draw.mean(), abs=0.005)
    np.testing.assert_allclose(
        found[["low", "high"]].iloc[0], np.quantile(by_draw, [0.025, 0.975]), atol=0.015
    )


def test_new_reeds_of_new_lots_fall_into_their_intervals():
    """A simulated truth: of 4,000 new responses of new levels nine in ten are inside."""
    rng = np.random.default_rng(5)
    lots, each = 30, 8
    lot = np.repeat(np.arange(lots), each)
    minutes = 30 + 3 * rng.standard_normal(lots)[lot] + 4 * rng.standard_normal(lots * each)
    data = pd.DataFrame({"lot": [f"l{i}" for i in lot], "minutes": minutes})
    model = rl.fit("minutes ~ 1 + (1 | lot)", data)
    new = 30 + np.sqrt(3**2 + 4**2) * rng.standard_normal(4000)
    for method in ("posterior", "delta"):
        found = model.predict(data.head(1), "lot", interval="new", level=0.9, method=method)
        inside = np.mean((new > found["low"].iloc[0]) & (new < found["high"].iloc[0]))
        assert inside == pytest.approx(0.9, abs=0.03)
        known = model.predict(data.head(1), interval="new", level=0.9, method=method)
        assert half(known)[0] < half(found)[0]


def test_shares_of_trials_and_grades(bacteria, soup):
    counts = bacteria.groupby("ID").agg(good=("good", "sum"), tried=("good", "size")).reset_index()
    model = rl.fit("good ~ 1 + (1 | ID)", counts, "binomial", trials="tried")
    few = pd.DataFrame({"ID": ["new", "newer"], "tried": [5, 500]})
    for method in ("posterior", "delta"):
        found = model.predict(few, "ID", interval="new", method=method)
        assert half(found)[0] >= half(found)[1] > 0.1  # between people it varies as well
        assert np.isclose(found["low"].iloc[0] * 5, round(found["low"].iloc[0] * 5))
    with pytest.raises(PredictionError, match="the column that trials= names"):
        model.predict(few.drop(columns="tried"), "ID", interval="new")
    graded = rl.fit("grade ~ PROD + (1 | person)", soup.head(300), "ordinal")
    table = graded.predict(soup.head(2), "person", interval="mean")
    assert table["grade"].tolist() == [*"123456"] * 2
    assert table.groupby(level=0)["mean"].sum().tolist() == pytest.approx([1.0, 1.0])
    assert ((table["low"] < table["mean"]) & (table["mean"] < table["high"])).all()


REFUSED = [
    ({"interval": "confidence"}, ModelError, "no interval 'confidence': choose mean or new"),
    ({"interval": "mean", "method": "wald"}, ModelError, "no method 'wald'"),
    ({"interval": "mean", "level": 95}, ModelError, "level is 95"),
    ({"interval": "new"}, PredictionError, "0 or 1, which has no interval: take interval='mean'"),
]


@pytest.mark.parametrize(("options", "error", "words"), REFUSED)
def test_refusals(bacteria, orthodont, options, error, words):
    model = rl.fit("good ~ week + (1 | ID)", bacteria, "binomial")
    with pytest.raises(error, match=words):
        model.predict(**options)


def test_a_new_response_has_its_random_effects(weighted, orthodont):
    with pytest.raises(PredictionError, match="leave random=False out"):
        weighted.predict(orthodont, random=False, interval="new")
    with pytest.raises(PredictionError, match="weights= names"):
        weighted.predict(orthodont.drop(columns="w"), interval="new", method="delta")
    typical = weighted.predict(orthodont, random=False, interval="mean", method="delta")
    assert typical["mean"].iloc[0] == weighted.predict(orthodont, random=False).iloc[0]


def test_the_posterior_of_another_model_and_no_frame(weighted, orthodont):
    other = rl.fit("distance ~ age + (1 | Subject)", orthodont).posterior(draws=100)
    with pytest.raises(ModelError, match="is that of 'distance ~ age"):
        weighted.predict(interval="mean", method=other)
    with pytest.raises(PredictionError, match="need a pandas DataFrame"):
        weighted.predict({"age": [8]})
    empty = weighted.predict(orthodont.head(0), interval="new", method="delta")
    assert empty.columns.tolist() == ["mean", "low", "high"] and empty.empty
