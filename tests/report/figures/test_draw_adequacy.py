"""Pictures of a model's checks, tested by the data on their Axes."""

import numpy as np
import pandas as pd
import pytest

import reedlab as rl
from reedlab.errors import DecisionError
from reedlab.report.figures import draw_adequacy
from reedlab.report.figures.base import alternative_text


def test_shares_stand_against_the_diagonal_with_their_intervals():
    bins = pd.DataFrame(
        {"predicted": [0.3, 0.7], "observed": [0.4, 0.65], "low": [0.2, 0.5], "high": [0.6, 0.8]}
    )
    ax = draw_adequacy.calibration(bins)
    diagonal, dots = ax.lines
    np.testing.assert_allclose(diagonal.get_xydata(), [[0, 0], [1, 1]])
    np.testing.assert_allclose(dots.get_xydata(), bins[["predicted", "observed"]])
    (intervals,) = ax.collections
    ends = [segment[:, 1].tolist() for segment in intervals.get_segments()]
    assert ends == bins[["low", "high"]].to_numpy().tolist()
    assert ax.get_xlabel() and ax.get_ylabel()


@pytest.fixture(scope="module")
def model() -> rl.Fit:
    rng = np.random.default_rng(1)
    lot = np.repeat(np.arange(10), 12)
    data = pd.DataFrame(
        {
            "good": rng.integers(0, 2, 120),
            "density_g_cm3": rng.normal(0.55, 0.03, 120),
            "tied_on": pd.Timestamp("2025-01-01") + pd.to_timedelta(np.arange(120), unit="D"),
            "lot": [f"L{i}" for i in lot],
            "minutes": rng.normal(30, 4, 120),
        }
    )
    return rl.fit("good ~ density_g_cm3 + (1 | lot)", data, "binomial")


def test_each_check_of_residuals_has_a_picture(model):
    found = model.binned_residuals("tied_on", n=40, departure=None)
    for name, label in (("density_g_cm3", "density (g/cm³)"), ("tied_on", "tied on")):
        ax, rows = rl.figure(found, name), found.bins[found.bins["check"] == name]
        predicted, observed = ax.lines
        np.testing.assert_allclose(predicted.get_ydata(), rows["predicted"])
        np.testing.assert_allclose(observed.get_ydata(), rows["observed"])
        ends = [segment[:, 1].tolist() for segment in ax.collections[0].get_segments()]
        assert ends == rows[["low", "high"]].to_numpy().tolist()
        assert ax.get_xlabel() == label
        assert "95 of 100 responses" in alternative_text(ax)
    days = [label.get_text() for label in ax.get_xticklabels()]
    assert days[0] == "2025-01-01\nto 2025-01-20"
    lots = rl.figure(found)
    assert [label.get_text() for label in lots.get_yticklabels()] == [f"L{i}" for i in range(10)]
    with pytest.raises(DecisionError, match="choose one of lot, density_g_cm3"):
        rl.figure(found, "season")


def test_data_are_drawn_beside_what_the_model_makes(model):
    check = model.predictive_check(n=50)
    ax = rl.figure(check)  # of 0 and 1 the levels alone
    assert sorted(ax.lines[0].get_xdata()) == sorted(check.levels["observed"])
    linear = rl.fit("minutes ~ 1 + (1 | lot)", model.data)
    made = linear.predictive_check(n=50)
    ax = rl.figure(made)
    np.testing.assert_allclose(ax.lines[0].get_ydata(), made.spread["observed"])
    assert "responses that the model makes" in alternative_text(ax)
    assert len(rl.figure(made, "levels").get_yticklabels()) == 10
