"""Density by its three routes, against published tables and an independent propagation."""

import numpy as np
import pytest
from uncertainties import ufloat

from reedlab.cane import density, gouge
from reedlab.cane.readings import Steps, propagate, sd_of_step

NAN = float("nan")


@pytest.mark.parametrize(
    ("temp_c", "g_cm3"),
    # CRC Handbook of Chemistry and Physics, 91st ed., 6-5 "Standard density of water" (IAPWS-95
    # at 101.325 kPa), from memory; good to the sixth decimal.
    [(4, 0.999972), (10, 0.999700), (15, 0.999099), (20, 0.998203), (25, 0.997043), (30, 0.995645)],
)
def test_water_has_its_published_density(temp_c, g_cm3):
    assert density.water_density(temp_c) == pytest.approx(g_cm3, abs=6e-6)


def test_water_agrees_with_an_older_formula_over_its_whole_range():
    # Kell (1975), J Chem Eng Data 20(1) 97-105, equation 16; the scales of temperature differ by
    # up to 0.01 K at 40 °C, which is 4e-6 g/cm3.
    t = np.linspace(0, 40, 81)
    polynomial = np.polynomial.Polynomial(
        [999.83952, 16.945176, -7.9870401e-3, -46.170461e-6, 105.56302e-9, -280.54253e-12]
    )
    kell = polynomial(t) / (1 + 16.879850e-3 * t) / 1000
    np.testing.assert_allclose(density.water_density(t), kell, atol=1e-5)
    assert np.isnan(density.water_density([-1, 41, NAN])).all()


def test_a_step_is_a_rectangle_whose_spread_a_simulation_finds():
    rng = np.random.default_rng(1)
    true = rng.uniform(0, 10, 200_000)
    assert sd_of_step(0.1) == pytest.approx(np.std(np.round(true, 1) - true), rel=0.01)


def exact(value, step):
    return ufloat(value, step / np.sqrt(12))


def water_of(temp):
    """The water's density on numbers that carry their own uncertainty."""
    kg = 999.97495 * (
        1 - (temp - 3.983035) ** 2 * (temp + 301.797) / (522528.9 * (temp + 69.34881))
    )
    return kg / 1000


def test_floating_carries_its_uncertainties_as_the_uncertainties_package_does():
    steps = Steps()
    s, length = exact(41.0, steps.submerged_mm), exact(75.0, steps.length_mm)
    temp, cos = exact(20.0, steps.temp_c), ufloat(0.0, 0.2 / np.sqrt(3))
    pull = 2 * 0.0727 * cos / (9.80665 * 0.55e-3 * length * 1e-3) / 1000
    oracle = 0.0012 + (water_of(temp) - 0.0012) * s / length - pull
    found = density.by_floating(41.0, 75.0, wall_mm=0.55)
    assert found.g_cm3 == pytest.approx(oracle.nominal_value, rel=1e-12)
    assert found.sd == pytest.approx(oracle.std_dev, rel=1e-5)


def test_volume_and_weighing_carry_their_uncertainties_as_the_uncertainties_package_does():
    mass, volume = exact(0.22, 0.01), ufloat(398.0, 5.6)
    oracle = mass / volume * 1000
    found = density.by_volume(0.22, 398.0, 5.6)
    assert found.g_cm3 == pytest.approx(oracle.nominal_value, rel=1e-12)
    assert found.sd == pytest.approx(oracle.std_dev, rel=1e-3)  # a quotient bends a little

    mass, in_water, temp = exact(0.219, 0.001), exact(-0.179, 0.001), exact(20.0, 1.0)
    oracle = 0.0012 + (water_of(temp) - 0.0012) * mass / (mass - in_water)
    found = density.by_weighing(0.219, -0.179, steps=Steps(mass_g=0.001))
    assert found.g_cm3 == pytest.approx(oracle.nominal_value, rel=1e-12)
    assert found.sd == pytest.approx(oracle.std_dev, rel=1e-4)


def test_gouge_volume_carries_its_uncertainty_as_a_simulation_does():
    # JCGM 101:2008 (propagation by Monte Carlo): readings are rectangles a step wide.
    steps, rng, n = Steps(), np.random.default_rng(2), 100_000
    piece = np.array([75.0, 8.9, 10.25, 0.59, 0.48, 0.47, 3.5])
    widths = np.array([steps.length_mm, steps.width_mm, steps.diameter_mm])
    widths = np.concatenate([widths, [steps.thickness_mm] * 3, [steps.side_at_mm]])
    draws = piece[:, None] + widths[:, None] * (rng.random((7, n)) - 0.5)
    simulated = gouge.volume_mm3(*draws).std()
    assert gouge.volume_sd_mm3(*piece) == pytest.approx(simulated, rel=0.02)


def test_weighing_ten_together_buys_what_independent_readings_buy():
    one = density.by_volume(0.22, 398.0, 0.0)
    ten = density.by_volume(2.2, 3980.0, 0.0)
    assert ten.g_cm3 == pytest.approx(one.g_cm3)
    assert ten.sd == pytest.approx(one.sd / 10)  # the balance rounds once instead of ten times
    shape = density.by_volume(2.2, 3980.0, 5.6 * np.sqrt(10), steps=Steps(mass_g=1e-9))
    assert shape.sd == pytest.approx(
        density.by_volume(0.22, 398.0, 5.6, steps=Steps(mass_g=1e-9)).sd / np.sqrt(10), rel=1e-3
    )


def test_the_pull_at_the_waterline_is_the_force_on_a_wilhelmy_plate():
    # Force on a plate: γ · wetted perimeter · cos θ. On a strip 8.9 mm wide and 0.55 mm thick that
    # is 1.36 mN at cos θ = 1, three quarters of the weight of such a piece of cane (1.8 mN).
    perimeter_m, area_m2, length_m = 2 * 8.9e-3, 8.9e-3 * 0.55e-3, 0.075
    force_n = 0.0727 * perimeter_m * 1.0
    as_density = force_n / 9.80665 / (area_m2 * length_m) / 1000

    def pull(*readings, wall, grip):
        sds = [density.by_floating(*readings, wall_mm=wall, grip=g).sd for g in (grip, 0.0)]
        return np.sqrt(sds[0] ** 2 - sds[1] ** 2)  # without the readings' own steps

    assert pull(41.0, 75.0, wall=0.55, grip=np.sqrt(3.0)) == pytest.approx(as_density, rel=1e-6)
    thick, thin = (pull(82.0, 150.0, wall=wall, grip=0.2) for wall in (2.2, 0.55))
    assert thin == pytest.approx(4 * thick)


def test_the_three_routes_agree_on_one_piece():
    piece = (75.0, 8.9, 10.25, 0.59, 0.48, 0.48, 3.5)
    volume, water = gouge.volume_mm3(*piece), density.water_density(20.0)
    true = 0.55
    in_air = (true - 0.0012) * volume / 1000  # air bears a little of every body
    in_water = (true - water) * volume / 1000
    submerged = 75.0 * (true - 0.0012) / (water - 0.0012)
    assert density.by_weighing(in_air, in_water).g_cm3 == pytest.approx(true, rel=1e-12)
    assert density.by_floating(submerged, 75.0).g_cm3 == pytest.approx(true, rel=1e-12)
    by_volume = density.by_volume(in_air, volume, gouge.volume_sd_mm3(*piece))
    assert by_volume.g_cm3 == pytest.approx(true, abs=0.0013)


def test_missing_readings_stay_missing():
    found = density.by_floating([41.0, NAN, 41.0], [75.0, 75.0, NAN])
    assert found.g_cm3[0] == density.by_floating(41.0, 75.0).g_cm3
    assert np.isnan(found.g_cm3[1:]).all() and np.isnan(found.sd[1:]).all()
    assert np.isnan(density.by_volume([0.2], [NAN], [5.0]).g_cm3).all()


def test_the_surest_route_is_taken_row_by_row():
    n = NAN
    given = density.Density(np.array([0.5, n, n, n]), np.array([n, n, n, n]))
    floated = density.Density(np.array([0.6, 0.6, 0.6, n]), np.array([0.04, 0.04, 0.04, n]))
    measured = density.Density(np.array([0.7, 0.7, n, n]), np.array([0.01, 0.01, n, n]))
    best, route = density.best_route({"given": given, "float": floated, "volume": measured})
    assert list(route) == ["given", "volume", "float", None]
    np.testing.assert_array_equal(best.g_cm3, [0.5, 0.7, 0.6, n])
    np.testing.assert_array_equal(best.sd, [n, 0.01, 0.04, n])


def test_the_comparison_of_routes_says_what_the_routes_say():
    table = density.compare_routes().set_index("route")
    one = table.loc["weight and size, to 0.01 g", "sd_g_cm3"]
    ten = table.loc["weight and size, mean of 10", "sd_g_cm3"]
    fine = table.loc["weight and size, to 0.001 g", "sd_g_cm3"]
    assert ten < fine < one
    assert table.loc["floating", "sd_g_cm3"] > 3 * one
    np.testing.assert_allclose(table["tells_apart"], 1.96 * np.sqrt(2) * table["sd_g_cm3"])


def test_propagation_is_exact_on_a_straight_line():
    sd = propagate(lambda a, b: 3 * a - 2 * b, {"a": [1.0, 2.0], "b": 5.0}, {"a": 0.1, "b": 0.2})
    np.testing.assert_allclose(sd, np.hypot(0.3, 0.4))
