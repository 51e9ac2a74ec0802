"""Pictures of rules, signs and seasons, tested by the data on their Axes."""

import pandas as pd
import pytest

from reedlab.report.figures import draw_seasons, draw_stopping


def dots(ax):
    (line,) = [line for line in ax.lines if line.get_marker() == "o"]
    return line.get_xdata().tolist()


def test_slopes_are_ratios_against_no_difference():
    frame = pd.DataFrame(
        {
            "measure": ["density", "bend"],
            "odds_ratio": [0.8, 1.1],
            "low": [0.6, 0.9],
            "high": [1, 1.4],
        }
    )
    ax = draw_stopping.slopes(frame)
    assert ax.get_xscale() == "log" and dots(ax) == [0.8, 1.1]
    assert any(set(line.get_xdata()) == {1} for line in ax.lines)


def test_savings_stand_against_going_on_with_all_and_say_their_unit():
    frame = pd.DataFrame(
        {"saving": [40.0, -3.0], "low": [-4.0, -9.0], "high": [90.0, 2.0]},
        index=pd.Index(["windows", "predicted success"], name="rule"),
    )
    ax = draw_stopping.savings(frame, "EUR")
    assert dots(ax) == [40.0, -3.0] and "(EUR)" in ax.get_xlabel()
    assert [label.get_text() for label in ax.get_yticklabels()] == [*frame.index]
    assert any(set(line.get_xdata()) == {0.0} for line in ax.lines)


def test_signs_show_where_finishing_stops_paying():
    frame = pd.DataFrame({"sign": ["a leak"], "good": [0.2], "low": [0.1], "high": [0.35]})
    ax = draw_stopping.signs(frame, threshold=0.26)
    assert dots(ax) == [0.2] and ax.get_xlim() == (0, 1)
    assert any(set(line.get_xdata()) == {0.26} for line in ax.lines)


@pytest.mark.parametrize(("measure", "top"), [("success", 1.0), ("minutes", None)])
def test_a_smooth_effect_is_drawn_with_its_band_from_nothing_up(measure, top):
    frame = pd.DataFrame(
        {"measure": measure, "over": "year", "at": [0.0, 182.0, 364.0], "value": [0.5, 0.7, 0.5],
         "low": [0.4, 0.6, 0.4], "high": [0.6, 0.8, 0.6]}
    )  # fmt: skip
    other = frame.assign(over="moisture", value=9.0)
    ax = draw_seasons.smooth(pd.concat([other, frame]), measure, "year")
    (line,) = ax.lines
    assert line.get_ydata().tolist() == [0.5, 0.7, 0.5]
    band = ax.collections[0].get_paths()[0].vertices[:, 1]
    assert (band.min(), band.max()) == (0.4, 0.8)
    assert ax.get_ylim()[0] == 0 and (top is None or ax.get_ylim()[1] == top)
    assert [label.get_text() for label in ax.get_xticklabels()] == [
        "Jan",
        "Apr",
        "Jul",
        "Oct",
        "Jan",
    ]
