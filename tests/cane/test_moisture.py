"""Moisture, seasons and spells, against the Wood Handbook and the calendar."""

import numpy as np
import pandas as pd
import pytest

from reedlab.cane import moisture

# USDA Wood Handbook (FPL-GTR-282), table 4-2, at 21.1 °C (70 °F): from memory, as commonly printed.
TABLE_4_2 = {20: 4.5, 30: 6.2, 40: 7.7, 50: 9.2, 60: 11.0, 65: 12.0, 70: 13.1, 80: 16.0, 90: 20.5}


@pytest.mark.parametrize(("rh", "pct"), TABLE_4_2.items())
def test_moisture_is_the_wood_handbooks(rh, pct):
    assert moisture.equilibrium_moisture_pct(rh, 21.1) == pytest.approx(pct, abs=0.1)


def test_moisture_rises_with_humidity_and_falls_with_warmth():
    rh = np.linspace(0, 100, 101)
    at_20 = moisture.equilibrium_moisture_pct(rh, 20.0)
    assert at_20[0] == 0.0 and (np.diff(at_20) > 0).all()
    assert (moisture.equilibrium_moisture_pct(rh[1:], 30.0) < at_20[1:]).all()


def test_impossible_or_missing_humidity_gives_no_moisture():
    found = moisture.equilibrium_moisture_pct([-1, 101, np.nan, 50], [20, 20, 20, np.nan])
    assert np.isnan(found).all()


def test_seasons_are_quarters_of_the_meteorological_year():
    months = pd.Series(pd.date_range("2024-01-01", periods=12, freq="MS"))
    quarters = [season for season in moisture.SEASONS for _ in range(3)]  # from March on
    found = moisture.season(months)
    assert list(found) == quarters[-2:] + quarters[:-2]
    south = moisture.season(months, hemisphere="south")
    assert list(south) == list(found[6:]) + list(found[:6])
    assert found.ordered and list(found.categories) == ["spring", "summer", "autumn", "winter"]


def test_a_missing_day_has_no_season_and_a_wrong_hemisphere_is_refused():
    days = pd.Series(pd.to_datetime(["2024-07-01", None]))
    assert pd.isna(moisture.season(days)[1]) and moisture.season(days)[0] == "summer"
    assert np.isnan(moisture.year_cos_sin(days)[0][1])
    with pytest.raises(ValueError, match="south"):
        moisture.season(days, hemisphere="equator")


def test_the_year_is_a_circle_walked_evenly():
    days = pd.date_range("2023-01-01", "2023-12-31")
    cos, sin = moisture.year_cos_sin(days)
    np.testing.assert_allclose(cos**2 + sin**2, 1.0)
    steps = np.diff(np.unwrap(np.arctan2(sin, cos)))
    np.testing.assert_allclose(steps, 2 * np.pi / 365.2425)
    # A yearly wave is fitted exactly by the two terms.
    wave = 3 * np.cos(2 * np.pi * (np.arange(365) - 40) / 365.2425)
    (a, b), residual, *_ = np.linalg.lstsq(np.column_stack([cos, sin]), wave, rcond=None)
    assert np.hypot(a, b) == pytest.approx(3.0) and residual < 1e-18
    assert np.arctan2(b, a) * 365.2425 / (2 * np.pi) == pytest.approx(40.0)


def test_spells_may_be_dated_or_come_every_year_over_new_year():
    days = pd.to_datetime(["2024-10-14", "2024-10-15", "2025-02-01", "2025-03-31", "2025-04-01"])
    yearly = moisture.in_spells(days, [("10-15", "03-31")])
    assert yearly.tolist() == [False, True, True, True, False]
    dated = moisture.in_spells(days, [("2024-10-01", "2024-10-14"), ("2025-04-01", "2025-05-01")])
    assert dated.tolist() == [True, False, False, False, True]
    assert moisture.in_spells(pd.Series(pd.to_datetime([None])), [("01-01", "12-31")]).tolist() == [
        False
    ]
    assert moisture.in_spells(days, [("2025-02-01", None)]).tolist() == [False, False] + [True] * 3
    assert not moisture.in_spells(days, []).any()
