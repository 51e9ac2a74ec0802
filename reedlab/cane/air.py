"""The air of the workshop: humidity from what can be read, and a logger's record over a time.

The psychrometry is PsychroLib's (ASHRAE Handbook, Fundamentals); here it takes arrays.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from reedlab.cane.moisture import equilibrium_moisture_pct
from reedlab.cane.readings import Floats, floats

ATMOSPHERE_PA = 101325.0


@contextmanager
def _psychrolib() -> Iterator[Any]:
    """Lend PsychroLib set to SI units, and leave its units as they were found."""
    import psychrolib

    found = psychrolib.PSYCHROLIB_UNITS, psychrolib.PSYCHROLIB_TOLERANCE
    psychrolib.SetUnitSystem(psychrolib.SI)
    try:
        yield psychrolib
    finally:
        psychrolib.PSYCHROLIB_UNITS, psychrolib.PSYCHROLIB_TOLERANCE = found


def _each(function: Callable[..., float], possible: Any, *values: Floats) -> Floats:
    """Call a scalar function for each set of values where `possible`; NaN elsewhere."""
    *grids, possible = np.broadcast_arrays(*values, possible)
    rows = zip(*(grid[possible].tolist() for grid in grids))
    result = np.full(possible.shape, np.nan)
    result[possible] = [function(*row) for row in rows]
    return result


def saturation_pressure_pa(temp_c: ArrayLike) -> Floats:
    """Return the vapour pressure at which air is full of water, over liquid water.

    Over liquid water below freezing too, since weather stations and loggers mean that when they
    give a humidity or a dew point (a frost point, over ice, is another thing).

    Parameters
    ----------
    temp_c : array
        °C, -45 to 200; NaN outside.

    Returns
    -------
    ndarray
        Pa.

    References
    ----------
    From 0 °C up: ASHRAE Handbook, Fundamentals (2017), chapter 1, equation 6, through PsychroLib.
    Below: WMO-No. 8 (Guide to Instruments and Methods of Observation), annex 4.B, and its
    convention that relative humidity is stated with respect to water at all temperatures.

    Examples
    --------
    >>> saturation_pressure_pa([-10, 0, 20]).round(0).tolist()
    [287.0, 611.0, 2339.0]
    """
    temp = floats(temp_c)
    with _psychrolib() as psychro:
        warm = _each(psychro.GetSatVapPres, (temp >= 0) & (temp <= 200), temp)
    cold = np.where((temp >= -45) & (temp < 0), temp, np.nan)
    return np.where(temp < 0, 611.2 * np.exp(17.62 * cold / (243.12 + cold)), warm)


def humidity_from_dew_point_pct(temp_c: ArrayLike, dew_point_c: ArrayLike) -> Floats:
    """Return the relative humidity of air from its temperature and its dew point.

    Parameters
    ----------
    temp_c, dew_point_c : array
        °C.

    Returns
    -------
    ndarray
        Per cent; NaN where a reading is missing or the dew point lies above the temperature.

    References
    ----------
    The quotient of two pressures; see `saturation_pressure_pa`.

    Examples
    --------
    >>> float(humidity_from_dew_point_pct(21.0, 10.0).round(1))
    49.4
    """
    temp, dew = floats(temp_c), floats(dew_point_c)
    share = saturation_pressure_pa(dew) / saturation_pressure_pa(temp)
    return np.where(dew <= temp, 100.0 * share, np.nan)


def humidity_from_wet_bulb_pct(
    temp_c: ArrayLike, wet_bulb_c: ArrayLike, pressure_pa: float = ATMOSPHERE_PA
) -> Floats:
    """Return the relative humidity of air from a dry and a well fanned wet thermometer.

    Parameters
    ----------
    temp_c, wet_bulb_c : array
        °C, -100 to 200.
    pressure_pa : float
        Air pressure; a workshop 500 m up has about 95,500 Pa.

    Returns
    -------
    ndarray
        Per cent; NaN where a reading is missing or the pair is not possible: a wet bulb above the
        dry one, or lower than in wholly dry air.

    References
    ----------
    ASHRAE Handbook, Fundamentals (2017), chapter 1, equations 33 and 35, through PsychroLib.

    Examples
    --------
    >>> float(humidity_from_wet_bulb_pct(21.0, 15.0).round(1))
    52.8
    """
    temp, wet = floats(temp_c), floats(wet_bulb_c)
    possible = (wet <= temp) & (wet >= -100) & (temp <= 200)
    with _psychrolib() as psychro:

        def humidity(temp: float, wet: float) -> float:
            rh = psychro.GetRelHumFromTWetBulb(temp, wet, pressure_pa)
            # PsychroLib holds the moisture of the air at a least value: air drier than that
            # cannot be.
            return rh if psychro.GetHumRatioFromTWetBulb(temp, wet, pressure_pa) > 1e-7 else np.nan

        return 100.0 * _each(humidity, possible, temp, wet)


def indoor_humidity_pct(
    outdoor_rh_pct: ArrayLike,
    outdoor_temp_c: ArrayLike,
    indoor_temp_c: ArrayLike,
    pressure_pa: float = ATMOSPHERE_PA,
) -> Floats:
    """Return the relative humidity of outdoor air once it stands warmed in the room.

    Why a winter workshop is dry: the water in the air stays the same, and warm air could hold more
    of it. A room in use is a little moister, from breath, kettles and soaking cane.

    Parameters
    ----------
    outdoor_rh_pct, outdoor_temp_c : array
        Humidity and temperature outside; a weather station's will do.
    indoor_temp_c : array
        Temperature of the room.
    pressure_pa : float
        Air pressure.

    Returns
    -------
    ndarray
        Per cent, at most 100 (a cellar colder than the air outside drips).

    References
    ----------
    Equal vapour pressures: warming adds no water; see `saturation_pressure_pa`.

    Examples
    --------
    A frosty, foggy day brought in:

    >>> float(indoor_humidity_pct(100, -5, 21).round(1))
    17.0
    """
    rh = floats(outdoor_rh_pct)
    water = np.where((rh >= 0) & (rh <= 100), rh, np.nan) * saturation_pressure_pa(outdoor_temp_c)
    return np.minimum(100.0, water / saturation_pressure_pa(indoor_temp_c))


def over(start: Any, end: Any, time: Any, rh_pct: ArrayLike, temp_c: ArrayLike) -> pd.DataFrame:
    """Return the air of each spell of time from a logger's record: before a scrape, over a drying.

    Parameters
    ----------
    start, end : arrays of times, one a spell
        `start` is within the spell, `end` is not.
    time : array of times
        When the logger read; in any order.
    rh_pct, temp_c : array
        What it read. A reading that lacks either is left out.

    Returns
    -------
    pandas.DataFrame
        One row a spell: `rh_pct`, `temp_c` and `moisture_pct` (means of the readings, the last of
        each reading's own moisture), `rh_low_pct`, `rh_high_pct`, `readings` (how many). NaN where
        there are no readings or the spell is not known.

    Examples
    --------
    >>> log = pd.date_range("2025-01-01", periods=48, freq="h")
    >>> rh = np.where(log < "2025-01-02", 30.0, 50.0)
    >>> over(["2025-01-01"], ["2025-01-02"], log, rh, 21.0)[["rh_pct", "readings"]].values.tolist()
    [[30.0, 24.0]]
    """
    log = pd.DataFrame({"time": pd.to_datetime(time), "rh_pct": floats(rh_pct)})
    log["temp_c"] = floats(temp_c)
    log = log.dropna().sort_values("time", ignore_index=True)
    log["moisture_pct"] = equilibrium_moisture_pct(log["rh_pct"], log["temp_c"])
    first, last = pd.DatetimeIndex(pd.to_datetime(start)), pd.DatetimeIndex(pd.to_datetime(end))
    begin, stop = np.searchsorted(log["time"], first), np.searchsorted(log["time"], last)
    readings = np.where(np.isnat(first) | np.isnat(last), 0, np.maximum(stop - begin, 0))
    some = readings > 0
    spells = pd.DataFrame(np.nan, index=range(len(first)), columns=[*log.columns[1:]])
    spells["rh_low_pct"], spells["rh_high_pct"] = np.nan, np.nan
    for name in log.columns[1:]:
        total = np.concatenate([[0.0], np.cumsum(log[name])])
        spells.loc[some, name] = (total[stop[some]] - total[begin[some]]) / readings[some]
    rh = log["rh_pct"].to_numpy()
    spells.loc[some, "rh_low_pct"] = [rh[a:b].min() for a, b in zip(begin[some], stop[some])]
    spells.loc[some, "rh_high_pct"] = [rh[a:b].max() for a, b in zip(begin[some], stop[some])]
    return spells.assign(readings=readings)
