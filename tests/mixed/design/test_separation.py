"""Outcomes that a column or a grouping tells apart are said, not fitted in silence."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import reedlab as rl
from reedlab.mixed.ask import cautions

pytestmark = pytest.mark.filterwarnings("ignore::reedlab.errors.SeparationWarning")


@pytest.fixture
def data() -> pd.DataFrame:
    rng = np.random.default_rng(1)
    frame = pd.DataFrame(
        {
            "x": rng.normal(size=200),
            "lot": rng.choice(list("abcdefgh"), 200),
            "shape": rng.choice(["p", "q", "r"], 200),
        }
    )
    frame["good"] = (frame["x"] + rng.logistic(size=200) > 0).astype(int)
    return frame


def test_a_level_without_failures(data: pd.DataFrame) -> None:
    data.loc[data["shape"] == "r", "good"] = 1
    fit = rl.fit("good ~ x + shape + (1 | lot)", data, "binomial")
    assert not fit.converged and fit.fitted.separated == ("shape[T.r]",)
    assert fit.notes[0] == (
        "Separation by shape[T.r]: no outcome goes against it, so it has no finite estimate; leave "
        "the term out, merge levels, or take posterior(), whose prior holds it."
    )
    assert np.isfinite(fit.bse_fe).all()


def test_a_predictor_that_splits_the_outcomes(data: pd.DataFrame) -> None:
    data["good"] = (data["x"] > 0).astype(int)
    fit = rl.fit("good ~ x + (1 | lot)", data, "binomial")
    assert not fit.converged and fit.fitted.separated == ("x",)


def test_grades_that_a_predictor_splits(data: pd.DataFrame) -> None:
    data["grade"] = pd.cut(data["x"], [-np.inf, -0.5, 0.5, np.inf], labels=["C", "B", "A"])
    fit = rl.fit("grade ~ x + (1 | lot)", data, "ordinal")
    assert not fit.converged and fit.fitted.separated == ("x",)


def test_groups_that_are_all_or_nothing(data: pd.DataFrame) -> None:
    data["good"] = data["lot"].isin(list("abcd")).astype(int)
    fit = rl.fit("good ~ 1 + (1 | lot)", data, "binomial")
    assert fit.fitted.one_outcome == ("lot",)
    assert any("Every level of lot has one outcome only" in note for note in fit.notes)
    assert np.isfinite(fit.vcomp["sd"]).all()


def test_an_ordinary_steep_slope_is_no_separation(data: pd.DataFrame) -> None:
    rng = np.random.default_rng(5)
    data["good"] = (6.0 * data["x"] + rng.logistic(size=200) > 0).astype(int)
    fit = rl.fit("good ~ x + (1 | lot)", data, "binomial")
    assert fit.converged and not fit.fitted.separated


@pytest.mark.parametrize("word", ["Reworded.", "Separation of words."])
def test_what_decides_is_not_the_wording(data: pd.DataFrame, monkeypatch, word: str) -> None:
    """A fit that separates, one that does not, and one without a level, under other sentences."""
    split = data.assign(good=(data["x"] > 0).astype(int))
    grouped = data.assign(good=data["lot"].isin(list("abcd")).astype(int))
    frames = [(data, "x"), (split, "x"), (grouped, "1")]

    def seen() -> list[tuple]:
        fits = [rl.fit(f"good ~ {x} + (1 | lot)", frame, "binomial") for frame, x in frames]
        return [
            (f.converged, f.singular, f.fitted.separated, f.fitted.one_outcome, len(f.notes))
            for f in fits
        ]

    before = seen()
    assert [found[0] for found in before] == [True, False, True]
    monkeypatch.setattr(cautions, "SENTENCES", dict.fromkeys(cautions.SENTENCES, word))
    assert seen() == before
