"""Pictures of what was not measured are tested by the data on their Axes."""

import numpy as np
import pandas as pd

from reedlab.report.figures import base, draw_missing


def segments(collection):
    return [segment[:, 0].tolist() for segment in collection.get_segments()]


def test_both_ways_draws_each_effect_twice_with_its_intervals():
    left_out = {"left_out": [0.7, 1.2], "left_out_low": [0.5, 0.9], "left_out_high": [0.9, 1.6]}
    filled_in = {"filled_in": [0.8, 1.1], "filled_in_low": [0.6, 1], "filled_in_high": [1, 1.4]}
    effects = pd.DataFrame({"effect": ["a", "b"], **left_out, **filled_in})
    ax = draw_missing.both_ways(effects, "odds")
    assert [label.get_text() for label in ax.get_yticklabels()] == ["a", "b"]
    assert segments(ax.collections[0]) == [[0.5, 0.9], [0.9, 1.6]]
    assert segments(ax.collections[1]) == [[0.6, 1.0], [1.0, 1.4]]
    assert ax.lines[0].get_xdata().tolist() == [0.7, 1.2]
    assert ax.lines[-1].get_xdata().tolist() == [0.8, 1.1]
    assert ax.lines[0].get_marker() != ax.lines[-1].get_marker()
    assert (ax.lines[-1].get_ydata() > ax.lines[0].get_ydata()).all()
    assert [t.get_text() for t in ax.get_legend().get_texts()] == ["left out", "filled in"]
    assert ax.get_xscale() == "log" and ax.get_xlabel() == "odds"
    assert len(base.svg(ax)) > 5000


def test_bench_shares_join_all_reeds_with_the_measured_ones():
    table = pd.DataFrame(
        {
            "supplier": ["teal", "plum"],
            "reeds": [30, 10],
            "measured": [5, 10],
            "bench_share": [0.75, 0.25],
            "bench_share_kept": [1 / 3, 2 / 3],
        }
    )
    ax = draw_missing.bench_shares(table)
    every, measured = ax.lines
    assert every.get_xdata().tolist() == [0.75, 0.25]
    np.testing.assert_allclose(measured.get_xdata(), [1 / 3, 2 / 3])
    np.testing.assert_allclose(segments(ax.collections[0]), [[0.75, 1 / 3], [0.25, 2 / 3]])
    assert [t.get_text() for t in ax.get_yticklabels()] == ["teal, 5 of 30", "plum, 10 of 10"]
    assert ax.get_xlim()[0] == 0


def test_filled_in_shows_readings_a_few_guesses_and_the_spread_of_all():
    rng = np.random.default_rng(1)
    frames = [pd.DataFrame({"lot": "A", "value": [0.5, 0.6], "measured": True, "imputation": 0})]
    for i in range(1, 11):
        value = rng.normal(0.55, 0.03, 4)
        frames.append(
            pd.DataFrame({"lot": "B", "value": value, "measured": False, "imputation": i})
        )
    values = pd.concat(frames, ignore_index=True)
    values = values.assign(supplier="teal", column="density_g_cm3")
    other = values.assign(column="hardness", value=9.0)
    ax = draw_missing.filled_in(pd.concat([values, other]), "density_g_cm3")
    assert [t.get_text() for t in ax.get_yticklabels()] == ["teal A", "teal B"]
    read, guessed = ax.lines
    assert read.get_xdata().tolist() == [0.5, 0.6] and set(np.round(read.get_ydata())) == {0}
    assert len(guessed.get_xdata()) == 12 and set(np.round(guessed.get_ydata())) == {1}
    middle = values.loc[~values["measured"], "value"].quantile([0.025, 0.975])
    np.testing.assert_allclose(segments(ax.collections[0]), [middle.tolist()])
    assert ax.get_xlabel() == "density (g/cm³)"
