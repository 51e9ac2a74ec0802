"""Pictures of cane and gauge are tested by the data on their Axes."""

import numpy as np
import pandas as pd
import pytest

from reedlab.cane import density, gouge
from reedlab.report.figures import base, draw_cane

PIECE = {
    "diameter_mm": 10.2,
    "width_mm": 8.8,
    "gouge_centre_mm": 0.59,
    "gouge_left_mm": 0.49,
    "gouge_right_mm": 0.46,
    "gouge_side_at_mm": 3.5,
}


def texts(ax):
    return [text.get_text() for text in ax.texts]


def test_a_cross_section_shows_the_readings_where_they_were_taken():
    ax = draw_cane.cross_section(PIECE)
    assert texts(ax) == ["0.49", "0.59", "0.46"]
    bark, _, *readings = ax.lines
    np.testing.assert_allclose(np.hypot(*bark.get_data()), 5.1)
    assert np.ptp(bark.get_xdata()) == pytest.approx(8.8)
    lengths = [np.hypot(*np.diff(line.get_data(), axis=1))[0] for line in readings]
    np.testing.assert_allclose(lengths, [0.49, 0.59, 0.46])
    outer_x = [line.get_xdata()[1] for line in readings]
    np.testing.assert_allclose(outer_x, [-3.5, 0, 3.5], atol=1e-12)
    # The filled outline has the area of the closed form (shoelace formula).
    x, y = ax.patches[0].get_xy()[:-1].T
    area = abs(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))) / 2
    exact = gouge.section_area_mm2(8.8, 10.2, 0.59, 0.49, 0.46, 3.5)
    assert area == pytest.approx(exact, rel=1e-3)
    assert ax.get_aspect() == 1.0 and len(base.svg(ax)) > 5000


def test_a_piece_of_unknown_width_is_drawn_as_a_third_of_its_tube():
    ax = draw_cane.cross_section({**PIECE, "width_mm": np.nan})
    assert np.ptp(ax.lines[0].get_xdata()) == pytest.approx(10.2 * np.sin(np.pi / 3))


def test_gauge_readings_stand_in_their_pieces_row_by_hand():
    table = pd.DataFrame(
        {"piece": ["b", "b", "a", "a"], "operator": ["K", "R"] * 2, "value": [2.0, 2.1, 1.0, 1.2]}
    ).assign(quantity="hardness")
    ax = draw_cane.gauge_readings(table, "hardness")
    assert [label.get_text() for label in ax.get_yticklabels()] == ["a", "b"]
    (marks,) = ax.collections
    assert marks.get_offsets()[:, 0].tolist() == [2.0, 2.1, 1.0, 1.2]
    assert np.round(marks.get_offsets()[:, 1]).tolist() == [1, 1, 0, 0]
    k, r = marks.get_paths()[:2]
    assert k.vertices.shape != r.vertices.shape, "each hand has a shape of its own"
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["K", "R"]


def test_spread_and_agreement_draw_their_intervals():
    spread = pd.DataFrame(
        {"sd": [2.0, 0.5], "low": [1.5, 0.4], "high": [3.0, 0.7]},
        index=pd.Index(["pieces", "repeats"], name="source"),
    )
    ax = draw_cane.gauge_spread(spread, "gouge_centre_mm")
    drawn = [segment[:, 0].tolist() for segment in ax.collections[0].get_segments()]
    assert drawn == [[1.5, 3.0], [0.4, 0.7]]
    assert ax.get_xlabel() == "standard deviation of gouge centre (mm)"
    names = ["difference", "lower limit", "upper limit"]
    limits = pd.DataFrame(
        {"estimate": [0.1, -1, 1.2], "low": [0, -1.5, 0.9], "high": [0.2, -0.5, 1.5]}, index=names
    )
    pieces = pd.DataFrame({"mean": [10.0, 12.0], "difference": [0.3, -0.1]})
    ax = draw_cane.agreement(pieces, limits, "hardness")
    assert texts(ax) == names
    assert ax.lines[-1].get_ydata().tolist() == [0.3, -0.1]
    bands = [(band.get_y(), band.get_y() + band.get_height()) for band in ax.patches]
    np.testing.assert_allclose(bands, limits[["low", "high"]])


def test_density_routes_draw_the_difference_that_shows():
    table = density.compare_routes()
    ax = draw_cane.density_routes(table)
    np.testing.assert_allclose(ax.lines[0].get_xdata(), table["tells_apart"])
    names = [label.get_text().replace("\n", " ") for label in ax.get_yticklabels()]
    assert names == table["route"].tolist()
    assert ax.get_xscale() == "log"


def test_drift_draws_the_days_means_and_each_set_ups_line():
    day = pd.to_datetime(["2025-01-01", "2025-01-01", "2025-04-11"])
    pieces = pd.DataFrame({"set_up": "A", "measured_on": day, "gouge_centre_mm": [0.5, 0.6, 0.57]})
    slopes = pd.DataFrame(
        {"set_up": ["A"], "reading": ["centre"], "first": day[0], "last": day[2],
         "start_mm": 0.55, "per_100_days_mm": 0.02}
    )  # fmt: skip
    ax = draw_cane.drift(pieces, slopes, "gouge_centre_mm", "centre")
    dots, means = ax.collections
    (line,) = ax.lines
    assert dots.get_offsets()[:, 1].tolist() == [0.5, 0.6, 0.57]
    np.testing.assert_allclose(means.get_offsets()[:, 1], [0.55, 0.57])
    np.testing.assert_allclose(line.get_ydata(), [0.55, 0.57])
    assert ax.get_ylabel() == "centre (mm)"


def test_months_are_drawn_with_their_range_and_heated_ones_shaded():
    months = pd.DataFrame(
        {"month": pd.to_datetime(["2025-01-01", "2025-02-01"]), "heated": [1.0, 0.0],
         "moisture_pct": [7.0, 9.0], "moisture_low_pct": [6.0, 8.0], "moisture_high_pct": [8.0, 11]}
    )  # fmt: skip
    ax = draw_cane.workshop_months(months)
    assert len(ax.patches) == 1
    drawn = [segment[:, 1].tolist() for segment in ax.collections[0].get_segments()]
    assert drawn == [[6.0, 8.0], [8.0, 11.0]]
    assert ax.lines[0].get_ydata().tolist() == [7.0, 9.0]
