"""The gouge's geometry, against closed forms, numerical integration and polygons."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from reedlab.cane import gouge
from reedlab.records import Bench

NAN = float("nan")

readings = st.tuples(
    st.floats(9.0, 12.0),  # diameter
    st.floats(0.55, 0.63),  # centre
    st.floats(0.42, 0.60),  # left
    st.floats(0.42, 0.60),  # right
    st.floats(2.0, 4.0),  # side_at
)


@settings(max_examples=60, deadline=None)
@given(readings, st.floats(0.55, 0.86))
def test_area_is_what_integration_and_a_polygon_give(three, share):
    diameter, *_ = three
    bark, half = diameter / 2, np.arcsin(share)
    width = 2 * bark * share
    assume(not gouge.impossible(width, *three)[0])

    def ring(angle):
        wall = gouge.thickness_at_mm(bark * np.sin(angle), *three)
        return (bark**2 - (bark - wall) ** 2) / 2

    area = gouge.section_area_mm2(width, *three)
    assert area == pytest.approx(quad(ring, -half, half, epsabs=1e-12)[0], rel=1e-9)

    # The shoelace formula on a polygon of the bark and, coming back, the inner face.
    angle = np.linspace(-half, half, 2001)
    inner = bark - gouge.thickness_at_mm(bark * np.sin(angle), *three)
    x = np.concatenate([bark * np.sin(angle), (inner * np.sin(angle))[::-1]])
    y = np.concatenate([bark * np.cos(angle), (inner * np.cos(angle))[::-1]])
    polygon = abs(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))) / 2
    assert area == pytest.approx(polygon, rel=1e-5)


@settings(max_examples=60, deadline=None)
@given(readings)
def test_the_circle_passes_through_what_was_read(three):
    diameter, centre, left, right, side_at = three
    circle = gouge.inner_circle(*three)
    angle = np.arcsin(2 * side_at / diameter) * np.array([-1, 0, 1])
    reach = diameter / 2 - np.array([left, centre, right])
    away = np.hypot(reach * np.sin(angle) - circle.across_mm, reach * np.cos(angle) - circle.up_mm)
    np.testing.assert_allclose(away, circle.radius_mm, rtol=1e-9)
    found = gouge.thickness_at_mm([-side_at, 0, side_at], *three)
    np.testing.assert_allclose(found, [left, centre, right], atol=1e-9)


def test_an_even_wall_is_a_ring():
    third = 10.25 * np.sin(np.pi / 3)
    assert third == pytest.approx(8.9, abs=0.03)  # the chord of a third of a 10.25 mm tube
    area = gouge.section_area_mm2(third, 10.25, 0.6, 0.6, 0.6, 3.0)
    assert area == pytest.approx(np.pi / 3 * (5.125**2 - 4.525**2), rel=1e-12)
    np.testing.assert_allclose(gouge.thickness_at_mm([-4, -1, 2], 10.25, 0.6, 0.6, 0.6, 3.0), 0.6)


def test_a_whole_half_tube_with_an_offset_circle_is_two_circle_segments():
    # A half tube of radius R, hollowed by a circle of radius r centred d below the tube's centre:
    # the hollow above the tube's own diameter is a segment of that circle.
    bark, r, d = 5.0, 4.8, 0.3
    angle = np.arcsin(3.0 / bark)
    side = bark - (-d * np.cos(angle) + np.sqrt(r**2 - (d * np.sin(angle)) ** 2))
    area = gouge.section_area_mm2(2 * bark, 2 * bark, bark - (r - d), side, side, 3.0)
    segment = r**2 * np.arccos(d / r) - d * np.sqrt(r**2 - d**2)
    assert area == pytest.approx(np.pi * bark**2 / 2 - segment, rel=1e-9)


def test_a_gouge_off_the_middle_is_thicker_on_the_far_side():
    circle = gouge.inner_circle(10.25, 0.59, 0.50, 0.46, 3.5)
    assert circle.across_mm > 0  # the blade stood to the right and left the left thick
    assert gouge.asymmetry_mm(0.50, 0.46) == pytest.approx(0.04)
    mirrored = gouge.inner_circle(10.25, 0.59, 0.46, 0.50, 3.5)
    assert mirrored.across_mm == pytest.approx(-circle.across_mm)


def test_volume_is_area_times_length_and_missing_readings_stay_missing():
    area = gouge.section_area_mm2(8.9, 10.25, 0.59, 0.48, 0.47, 3.5)
    assert gouge.volume_mm3(75, 8.9, 10.25, 0.59, 0.48, 0.47, 3.5) == pytest.approx(75 * area)
    volumes = gouge.volume_mm3([75, NAN, 75], 8.9, 10.25, [0.59, 0.59, NAN], 0.48, 0.48, 3.5)
    assert np.isnan(volumes).tolist() == [False, True, True]


@pytest.mark.parametrize(
    ("piece", "word"),
    [
        ((10.6, 10.25, 0.59, 0.48, 0.48, 3.5), "wider than the tube"),
        ((8.9, 10.25, 0.59, 0.48, 0.48, 5.2), "than the tube reaches"),
        ((5.0, 10.25, 0.59, 0.48, 0.48, 3.5), "than the strip is wide"),
        ((8.9, 10.25, 5.2, 0.48, 0.48, 3.5), "thicker than the tube's radius"),
        ((8.9, 10.25, 2.0, 0.30, 0.30, 3.5), "bulge"),
        ((8.9, 10.25, 0.59, 0.05, 0.48, 3.5), "cut through the bark"),
        ((8.9, 10.25, 0.59, 3.0, 3.0, 3.5), "end before the strip's edge"),
    ],
)
def test_readings_that_no_strip_can_have_are_named(piece, word):
    (reason,) = gouge.impossible(*piece)
    assert word in reason
    # Where the sides were read does not change what shape they give; all else leaves no volume.
    assert np.isnan(gouge.volume_mm3(75.0, *piece)) or word == "than the strip is wide"


@settings(max_examples=60, deadline=None)
@given(
    st.tuples(
        st.floats(9.5, 11.0),  # at 11.5 the thickest centre with the thinnest sides cuts through
        st.floats(0.55, 0.63),
        st.floats(0.45, 0.52),
        st.floats(0.45, 0.52),
        st.floats(3.0, 4.0),
    )
)
def test_ordinary_readings_are_never_called_impossible(three):
    third = three[0] * np.sin(np.pi / 3)
    assert gouge.impossible(third, *three).tolist() == [None]


def test_nothing_is_said_of_what_was_not_read():
    assert gouge.impossible(NAN, NAN, 0.59, 0.48, 0.48, NAN).tolist() == [None]
    assert gouge.impossible([8.9, 8.9], 10.25, NAN, 0.48, 0.48, 3.5).tolist() == [None, None]


def test_a_bench_tells_of_readings_that_do_not_fit_one_another():
    lots = pd.DataFrame({"lot": ["L1"], "supplier": ["Ochre"]})
    pieces = pd.DataFrame({"piece": ["P1", "P2"], "lot": "L1", "measured_state": "gouged"})
    pieces = pieces.assign(diameter_mm=10.2, width_mm=[8.8, 9.9], length_mm=75, mass_g=0.2)
    pieces = pieces.assign(gouge_centre_mm=0.59, gouge_left_mm=[0.48, 0.38])
    pieces = pieces.assign(gouge_right_mm=[0.48, 0.38], gouge_side_at_mm=3.0)
    bench = Bench.from_tables({"lots": lots, "pieces": pieces})
    found = bench.findings.query("column == 'gouge_centre_mm'")
    assert found[["table", "row", "value", "severity"]].values.tolist() == [
        ["pieces", 3, "9.9, 10.2, 0.59, 0.38, 0.38, 3", "warning"]
    ]
    assert bench.cane["density_route"].isna().tolist() == [False, True]
