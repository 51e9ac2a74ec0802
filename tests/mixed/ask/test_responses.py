"""Responses that a fit makes up, and fits of another response: moments, and refits by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import reedlab as rl
from reedlab.errors import DataError, ModelError


@pytest.fixture(scope="module")
def linear(orthodont) -> rl.Fit:
    return rl.fit("distance ~ age + (1 | Subject)", orthodont)


def test_simulated_responses_have_the_models_moments(linear, orthodont):
    made = linear.simulate(n=3000, seed=2)
    assert made.shape == (108, 3000) and made.index.tolist() == list(range(108))
    total = np.sqrt((linear.vcomp["variance"]).sum())
    fixed = linear.predict(random=False)
    np.testing.assert_allclose(made.mean(axis=1), fixed, atol=4.5 * total / np.sqrt(3000))
    assert made.std(axis=1).mean() == pytest.approx(total, rel=0.02)
    by_subject = made.groupby(orthodont["Subject"].to_numpy()).mean().std().mean()
    expected = np.sqrt(linear.vcomp["variance"][0] + linear.vcomp["variance"][1] / 4)
    assert by_subject == pytest.approx(expected, rel=0.1)


def test_seeds_and_numbers(linear):
    pd.testing.assert_frame_equal(linear.simulate(2, seed=3), linear.simulate(5, seed=3)[[0, 1]])
    assert not linear.simulate(seed=3)[0].equals(linear.simulate(seed=4)[0])


def test_every_family_makes_its_own_responses(bacteria, soup):
    binary = rl.fit("good ~ week + (1 | ID)", bacteria, "binomial").simulate(3)
    assert set(np.unique(binary)) == {0, 1}
    counts = bacteria.groupby("ID").agg(good=("good", "sum"), tried=("good", "size")).reset_index()
    model = rl.fit("good ~ 1 + (1 | ID)", counts, "binomial", trials="tried")
    assert (model.simulate(3).le(counts["tried"], axis=0)).all(axis=None)
    graded = rl.fit("grade ~ PROD + (1 | person)", soup.head(400), "ordinal")
    made = graded.simulate(2)
    assert made[0].cat.ordered and made[0].cat.categories.tolist() == [*"123456"]
    again = graded.refit(made[0])
    assert again.converged and again.nobs == 400


def test_a_refit_is_the_fit_of_that_response(linear, orthodont):
    other = 2 * orthodont["distance"] + 5
    again = linear.refit(other)
    by_hand = rl.fit("distance ~ age + (1 | Subject)", orthodont.assign(distance=other))
    assert again.llf == pytest.approx(by_hand.llf, abs=1e-9)
    assert again.fe_params["age"] == pytest.approx(2 * linear.fe_params["age"])
    assert again.data["distance"].tolist() == other.tolist()
    np.testing.assert_allclose(again.predict(orthodont), by_hand.predict(orthodont))
    assert orthodont["distance"].iloc[0] == 26.0  # the data are as they were
    same = linear.refit(orthodont["distance"])
    assert same.llf == pytest.approx(linear.llf, abs=1e-10)


def test_a_refit_keeps_weights_offset_and_left_out_rows(orthodont):
    lacking = orthodont.assign(w=orthodont["w"].where(orthodont["age"] > 8))
    model = rl.fit("distance ~ age + offset(shift) + (1 | Subject)", lacking, weights="w")
    again = model.refit(model.simulate(seed=9)[0])
    assert again.nobs == 81 and again.fitted.design.weights is model.fitted.design.weights
    assert again.data["distance"].tolist() == model.simulate(seed=9)[0].tolist()
    assert again.fitted.frame["distance"].isna().sum() == 0


def test_refits_of_simulated_responses_scatter_about_the_truth(linear):
    made = linear.simulate(n=60, seed=5)
    slopes = [linear.refit(made[i]).fe_params["age"] for i in made]
    se = linear.bse_fe["age"]
    assert np.mean(slopes) == pytest.approx(linear.fe_params["age"], abs=4 * se / np.sqrt(60))
    assert np.std(slopes) == pytest.approx(se, rel=0.35)


REFUSED = [
    (lambda y: y[:5], DataError, "has 5 values; the fit used 108 rows"),
    (lambda y: [None, *y[1:]], DataError, "Value 0 .* is None, not a number; 1 values"),
    (lambda y: np.array([np.nan, *y[1:]]), DataError, "Value 0 .* is nan, not a number"),
    (lambda y: ["tall", *y[1:]], DataError, "'tall', not a number"),
    (lambda y: [1.0] * len(y), ModelError, "one value only"),
]


@pytest.mark.parametrize(("change", "error", "words"), REFUSED)
def test_refusals(linear, orthodont, change, error, words):
    with pytest.raises(error, match=words):
        linear.refit(change(orthodont["distance"].tolist()))


def test_refusals_of_grades_outcomes_and_numbers(linear, soup, bacteria):
    graded = rl.fit("grade ~ PROD + (1 | person)", soup.head(400), "ordinal")
    with pytest.raises(DataError, match="'7', not one of 1, 2, 3, 4, 5, 6"):
        graded.refit(["7"] * 400)
    binary = rl.fit("good ~ week + (1 | ID)", bacteria, "binomial")
    with pytest.raises(DataError, match="0 or 1 in each row"):
        binary.refit(2 * bacteria["good"])
    for n in (0, 1.5):
        with pytest.raises(ModelError, match="whole number of responses"):
            linear.simulate(n)
