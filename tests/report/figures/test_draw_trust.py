"""Pictures and words of the calibration study, tested by the data on their Axes."""

import numpy as np
import pandas as pd
import pytest

from reedlab.report.figures import draw_trust
from reedlab.report.words import trust_words


@pytest.fixture
def coverage():
    rows = [
        (
            f"{n} suppliers",
            name,
            2000,
            level,
            level - short,
            level - 0.02,
            level + 0.02,
            short < 0.02,
        )
        for n in (3, 8)
        for name, short in (
            (trust_words.NEXT_LOT, 0.01),
            (f"plug-in: {trust_words.NEXT_LOT}", 0.09),
        )
        for level in (0.5, 0.95)
    ]
    columns = ["design", "quantity", "benches", "level", "share", "low", "high", "within"]
    return pd.DataFrame(rows, columns=columns)


@pytest.fixture
def best():
    columns = ["suppliers", "stated", "was_best", "low", "high"]
    return pd.DataFrame([(90, 0.2, 0.21, 0.1, 0.3), (40, 0.72, 0.75, 0.6, 0.8)], columns=columns)


def test_coverage_draws_one_level_with_its_band_and_a_shape_a_design(coverage):
    ax = draw_trust.coverage(coverage)
    (dots,) = ax.collections
    np.testing.assert_allclose(dots.get_offsets()[:, 0], [0.94, 0.86] * 2)
    three, eight = dots.get_paths()[0], dots.get_paths()[-1]
    assert three.vertices.shape != eight.vertices.shape
    (legend,) = ax.figure.legends
    assert [text.get_text() for text in legend.get_texts()] == ["3 suppliers", "8 suppliers"]
    band = ax.patches[0].get_extents().transformed(ax.transData.inverted())
    np.testing.assert_allclose([band.x0, band.x1], [0.93, 0.97])


def test_stated_probabilities_stand_against_the_diagonal(best):
    ax = draw_trust.stated_and_met(best)
    diagonal, dots = ax.lines
    assert diagonal.get_xdata().tolist() == diagonal.get_ydata().tolist() == [0, 1]
    assert dots.get_ydata().tolist() == [0.21, 0.75]
    ends = [segment[:, 1].tolist() for segment in ax.collections[0].get_segments()]
    assert ends == [[0.1, 0.3], [0.6, 0.8]]


def test_fixed_truths_draw_every_method_with_its_monte_carlo_error():
    frame = pd.DataFrame(
        {
            "sd_supplier": [0.0, 0.4] * 3,
            "sd_lot": 0.15,
            "what": trust_words.NEXT_LOT,
            "method": np.repeat(["posterior", "plug-in", "variances known"], 2),
            "benches": 100,
            "coverage": [0.95, 0.96, 0.85, 0.8, 0.95, 0.95],
        }
    )
    ax = draw_trust.fixed_truths(pd.concat([frame, frame.assign(what="density", coverage=0.1)]))
    drawn = {bar.get_label(): bar for bar in ax.containers}
    assert list(drawn) == ["true variances known", "reedlab", "variances treated as known"]
    assert drawn["variances treated as known"].lines[0].get_ydata().tolist() == [0.85, 0.8]
    (segments,) = drawn["reedlab"].lines[2]
    half = 1.96 * np.sqrt(0.95 * 0.05 / 100)  # the normal interval of a share
    np.testing.assert_allclose(segments.get_segments()[0][:, 1], [0.95 - half, 0.95 + half])
    assert [tick.get_text() for tick in ax.get_xticklabels()] == ["0\n0.15", "0.4\n0.15"]


@pytest.fixture
def fixed():
    rows = [(0.0, 0.99, 1.7), (0.0, 0.93, 1.1), (0.8, 0.95, 2.0)]
    frame = pd.DataFrame(rows, columns=["sd_supplier", "coverage", "relative_width"])
    return frame.assign(what=trust_words.NEXT_LOT, method="posterior")


@pytest.fixture
def outside():
    rows = [
        (trust_words.BASE, 200, 0.9, 0.02, 0.91, 0.04),
        ("the maker learns", 100, 0.87, 0.015, 0.83, 0.021),
        ("outcomes come late", 101, 0.92, 0.014, 0.88, 0.019),
    ]
    shares = ["holds_success", "holds_success_se", "holds_cost", "holds_cost_se"]
    return pd.DataFrame(rows, columns=["world", "benches", *shares])


def test_the_sentence_quotes_the_nearest_design_and_what_failed(coverage, best, fixed, outside):
    tables = {"coverage": coverage, "best": best, "fixed": fixed, "outside": outside}
    assert trust_words.sentence(tables, suppliers=4) == (
        "On simulated benches with 3 suppliers (yours has 4), their truths drawn from reedlab's "
        "own priors, which tests the code and not the priors, 95% intervals for a supplier's next "
        "lot held the truth in 94.0 of a hundred, where intervals with estimated variances treated "
        "as known held it in 86.0; every quantity's intervals held as often as they say, within "
        "what 2,000 benches can show. Of 40 suppliers said to be the best with 72%, 75% were. At "
        "each of 3 fixed truths 93 to 99 of 100 intervals held; where suppliers hardly differ, "
        "they are up to 70 % wider than need be. In 2 kinds of workshop that are not as the models "
        "assume, 100 benches or more of each, 90% ranges of success held in 87 to 92 of 100 and "
        "those of cost in 83 to 88 (standard errors up to 2.1), least where the maker learns. For "
        "your bench, look at how well the model predicts "
        "held-out lots."
    )
    failed = {**tables, "coverage": coverage.assign(within=False)}
    assert f"the intervals of {trust_words.NEXT_LOT} did not" in trust_words.sentence(failed, 9)


def test_every_workshop_is_shown_with_its_benches_and_standard_errors(outside):
    shown = trust_words.workshops({"outside": outside})
    assert shown["workshop"].tolist() == outside["world"].tolist()
    assert shown.iloc[1].tolist() == ["the maker learns", 100, 87.0, 1.5, 83.0, 2.1]
    shipped = trust_words.workshops(trust_words.study())
    assert shipped["workshop"].iloc[0] == trust_words.BASE and shipped["benches"].min() >= 169


def test_the_shipped_study_is_the_size_that_it_claims():
    study = trust_words.study()
    assert study["coverage"]["benches"].min() >= 2000
    assert set(study["coverage"]["design"]) == {"3 suppliers", "5 suppliers", "8 suppliers"}
    fixed = study["fixed"]
    assert {*zip(fixed["sd_supplier"], fixed["sd_lot"])} == {
        (s, v) for s in (0.0, 0.2, 0.4, 0.8) for v in (0.15, 0.4)
    }
