"""Pictures are tested by the data on their Axes, and one of them by its pixels."""

import io
import re
from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from matplotlib import rc_context
from matplotlib.colors import to_rgb
from matplotlib.image import imread
from scipy.ndimage import uniform_filter

from reedlab.report.figures import base, draw_lots
from reedlab.report.figures.theme import BY_NIGHT, theme

BASELINE = Path(__file__).with_name("baseline") / "intervals.png"


@pytest.fixture
def estimates():
    return pd.DataFrame(
        {
            "supplier": ["ochre", "slate", "indigo"],
            "success": [0.62, 0.55, 0.4],
            "low": [0.5, 0.31, 0.1],
            "high": [0.73, 0.77, 0.8],
        }
    )


def test_intervals_draws_each_estimate_with_its_interval(estimates):
    ax = base.intervals(estimates, "supplier", "success")
    (dots,) = [line for line in ax.lines if line.get_marker() == "o"]
    assert dots.get_xdata().tolist() == [0.62, 0.55, 0.4]
    drawn = [segment[:, 0].tolist() for segment in ax.collections[0].get_segments()]
    assert drawn == [[0.5, 0.73], [0.31, 0.77], [0.1, 0.8]]
    assert [label.get_text() for label in ax.get_yticklabels()] == ["ochre", "slate", "indigo"]
    low, high = ax.get_ylim()
    assert low > high, "the first row stands on top"
    assert ax.get_xlabel() == "success"


def test_an_axis_says_its_unit(estimates):
    frame = estimates.rename(columns={"success": "gouge_centre_mm"})
    ax = base.intervals(frame, "supplier", "gouge_centre_mm")
    assert ax.get_xlabel() == "gouge centre (mm)"


def test_shares_run_from_nothing_to_all_in_per_cent(estimates):
    ax = base.shares(estimates, "supplier", "success", xlabel="reeds that succeed")
    assert ax.get_xlim() == (0, 1)
    assert ax.xaxis.get_major_formatter()(0.25, 0) == "25%"
    assert ax.get_xlabel() == "reeds that succeed"


def test_ratios_stand_on_a_logarithmic_axis_with_a_line_where_nothing_changes():
    frame = pd.DataFrame({"effect": ["a", "b"], "ratio": [0.5, 2], "low": [0.2, 1], "high": [1, 4]})
    ax = base.ratios(frame, "effect")
    assert ax.get_xscale() == "log"
    line = next(line for line in ax.lines if line.get_marker() == "None")
    assert list(line.get_xdata()) == [1, 1]
    assert [segment[:, 0].tolist() for segment in ax.collections[0].get_segments()] == [
        [0.2, 1],
        [1, 4],
    ]


def test_by_lot_draws_every_piece_and_each_lots_mean_with_its_interval():
    rng = np.random.default_rng(3)
    cane = pd.DataFrame(
        {
            "supplier": ["slate"] * 8 + ["ochre"] * 5 + ["ochre"],
            "lot": ["B"] * 8 + ["A"] * 5 + ["C"],
            "density_g_cm3": [*rng.normal(0.55, 0.03, 13), np.nan],
        }
    )
    ax = draw_lots.by_lot(cane, "density_g_cm3")
    assert [label.get_text() for label in ax.get_yticklabels()] == ["ochre A", "slate B"]
    pieces, means = ax.collections
    known = cane.dropna().sort_values("density_g_cm3")
    assert sorted(pieces.get_offsets()[:, 0]) == known["density_g_cm3"].tolist()
    assert {*np.round(pieces.get_offsets()[:, 1])} == {0, 1}
    at_mean = known.groupby("lot")["density_g_cm3"].mean()
    assert means.get_offsets()[:, 0].tolist() == pytest.approx(at_mean.tolist())
    assert means.get_offsets()[:, 1].tolist() == [0, 1]
    values = cane.loc[cane["lot"] == "A", "density_g_cm3"]
    low, high = next(bar.get_xdata() for bar in ax.lines if bar.get_ydata().tolist() == [0, 0])
    half = 2.776445 * values.std() / np.sqrt(5)  # t(0.975; 4), any table of the t distribution
    assert low == pytest.approx(values.mean() - half)
    assert high == pytest.approx(values.mean() + half)
    assert ax.get_xlabel() == "density (g/cm³)"


def test_a_picture_is_the_same_twice_and_no_figure_stays_open(estimates):
    import matplotlib.pyplot as plt

    one, two = (base.svg(base.intervals(estimates, "supplier", "success")) for _ in "ab")
    assert one == two
    assert plt.get_fignums() == []


def test_a_picture_takes_the_colours_of_the_readers_screen(estimates):
    ax = base.intervals(
        estimates.assign(supplier=["a < b", "0.12345", "$x$"]), "supplier", "success"
    )
    drawn = base.svg(ax)
    style, _, rest = drawn.partition("</style>")
    assert "prefers-color-scheme:dark" in style
    for by_day, by_night in BY_NIGHT.items():
        assert by_day in style and by_night in style and by_day not in rest
    assert re.findall(r"#[0-9a-f]{6}", rest) == []
    text = re.sub("<[^>]*>", "", rest)
    assert "a &lt; b" in text and "0.12345" in text and "$x$" in text
    assert base.svg(ax) == drawn


@pytest.mark.parametrize("paper", [0, 1])
def test_lines_and_letters_can_be_seen_by_day_and_by_night(paper):
    """WCAG 2.2, 1.4.11 and 1.4.3: 3 to 1 for what is drawn, 4.5 for letters."""
    looks = [(by_day, by_night)[paper] for by_day, by_night in BY_NIGHT.items()]
    ground, ink, soft, _, *drawn = looks
    assert min(_contrast(ground, colour) for colour in (ink, soft)) >= 4.5
    assert [colour for colour in drawn[:4] if _contrast(ground, colour) < 3] == []


def _contrast(one, other):
    def light(colour):
        return np.dot([0.2126, 0.7152, 0.0722],
                      [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4
                       for c in to_rgb(colour)])  # fmt: skip

    low, high = sorted((light(one), light(other)))
    return (high + 0.05) / (low + 0.05)


MOVED = 0.001  # share of pixels; a single dot shifted by a fiftieth of the axis changes more


def test_the_picture_is_the_stored_one(estimates):
    """Blurred over three pixels first: letters' edges differ from one FreeType to another."""
    assert _changed(estimates) < MOVED


def test_the_comparison_notices_one_dot_in_another_place(estimates):
    moved = estimates.assign(success=[0.64, 0.55, 0.4])
    assert _changed(moved) > MOVED


def _changed(frame):
    """Return the share of pixels that clearly differ from the stored picture."""
    ax = base.shares(frame, "supplier", "success", xlabel="reeds that succeed")
    file = io.BytesIO()
    with rc_context(theme()):
        ax.figure.savefig(file, format="png")
    file.seek(0)
    drawn, stored = (imread(one)[..., :3] for one in (file, BASELINE))
    assert drawn.shape == stored.shape
    blurred = np.abs(uniform_filter(drawn - stored, (3, 3, 0)))
    return (blurred.max(axis=2) > 0.3).mean()


# Machado, Oliveira and Fernandes (2009), A physiologically-based model for simulation of color
# vision deficiency, IEEE TVCG 15(6), table for severity 1.0 (from memory).
BLINDNESS = {
    "none": np.eye(3),
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}
# IEC 61966-2-1 (sRGB) and CIE 1976 L*a*b*, white D65.
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])


def _lab(colour, matrix):
    channel = np.array(to_rgb(colour))
    linear = np.where(channel <= 0.04045, channel / 12.92, ((channel + 0.055) / 1.055) ** 2.4)
    xyz = TO_XYZ @ np.clip(np.asarray(matrix) @ linear, 0, 1) / [0.9505, 1.0, 1.089]
    f = np.where(xyz > 0.008856, np.cbrt(xyz), (903.3 * xyz + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("kind", BLINDNESS)
def test_the_palette_stays_apart_for_every_eye(kind):
    seen = [_lab(colour, BLINDNESS[kind]) for colour in base.PALETTE]
    assert min(np.linalg.norm(one - two) for one, two in combinations(seen, 2)) > 20


def test_the_palette_stays_apart_in_grey():
    lightness = sorted(_lab(colour, np.eye(3))[0] for colour in base.PALETTE)
    assert min(np.diff(lightness)) > 9
