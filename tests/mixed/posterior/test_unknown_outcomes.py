"""Unknown 0/1 outcomes, in the two cases whose answer is known without them."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from reedlab.mixed.design.matrices import build
from reedlab.mixed.posterior import unknown_outcomes
from reedlab.mixed.posterior.nested_laplace import design_posterior
from reedlab.mixed.posterior.priors import Priors
from reedlab.mixed.posterior.unknown_outcomes import with_unknown


@pytest.fixture(scope="module")
def rows():
    rng = np.random.default_rng(5)
    lot = np.repeat(np.arange(8), 30)
    chance = 1 / (1 + np.exp(-0.4 - rng.normal(0, 0.8, 8)[lot]))
    frame = pd.DataFrame({"lot": pd.Categorical(lot), "success": rng.random(240) < chance})
    return frame.astype({"success": float}), rng.random(240) < 0.15


def described(post):
    lots = post.levels_draws("lot")
    return pd.concat([post.draws().agg(["mean", "std"]), lots.agg(["mean", "std"])], axis=1)


def test_outcomes_of_which_nothing_is_known_change_nothing(rows):
    """Missing at random: the posterior is that of the known rows alone (Little and Rubin 2002)."""
    frame, unknown = rows
    design, _ = build("success ~ 1 + (1 | lot)", frame, "binomial")
    none = lambda eta, rng: np.zeros(unknown.sum())  # noqa: E731
    post, chances = with_unknown(design, unknown, none, Priors(), sets=12, draws=6000)
    known = design_posterior(design.take(~unknown), "binomial", Priors(), draws=6000)
    got, wanted = described(post), described(known)
    assert (got.loc["mean"] - wanted.loc["mean"]).abs().max() < 0.12
    assert got.loc["std"].to_numpy() == pytest.approx(wanted.loc["std"].to_numpy(), rel=0.2)
    assert chances.mean() == pytest.approx(frame["success"][~unknown].mean(), abs=0.08)


def test_outcomes_that_can_only_be_good_count_as_good(rows):
    frame, unknown = rows
    design, _ = build("success ~ 1 + (1 | lot)", frame, "binomial")
    surely = lambda eta, rng: np.full(unknown.sum(), 50.0)  # noqa: E731
    post, chances = with_unknown(design, unknown, surely, Priors(), sets=2)
    y = np.where(unknown, 1.0, design.y)
    completed = design_posterior(replace(design, y=y), "binomial", Priors())
    assert (chances == 1.0).all()
    got, wanted = described(post).loc["mean"], described(completed).loc["mean"]
    assert (got - wanted).abs().max() < 0.05


def test_the_same_seed_gives_the_same_draws(rows):
    frame, unknown = rows
    design, _ = build("success ~ 1 + (1 | lot)", frame, "binomial")
    none = lambda eta, rng: np.zeros(unknown.sum())  # noqa: E731
    one, two = (with_unknown(design, unknown, none, Priors(), 2, 7, 200)[0] for _ in range(2))
    pd.testing.assert_frame_equal(one.draws(), two.draws(), rtol=1e-10)


def test_completed_sets_hold_each_value_as_often_as_is_likely(rows, monkeypatch):
    frame, unknown = rows
    design, _ = build("success ~ 1 + (1 | lot)", frame, "binomial")
    completed = []

    def noted(now, *args, **options):
        completed.append(now.y[unknown])
        return design_posterior(now, *args, **options)

    monkeypatch.setattr(unknown_outcomes, "design_posterior", noted)
    for chance, wanted in ((0.5, 2), (0.25, 1)):
        completed.clear()
        given = lambda eta, rng, p=chance: np.log(p / (1 - p)) - eta  # noqa: E731
        with_unknown(design, unknown, given, Priors(), 4, 3, 200)
        assert (np.sum(completed, axis=0) == wanted).all()  # of four sets, in every row
