"""The air of the workshop: a data logger's readings over spells of time."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from reedlab.cane.moisture import equilibrium_moisture_pct
from reedlab.cane.readings import floats


def over(start: Any, end: Any, time: Any, rh_pct: ArrayLike, temp_c: ArrayLike) -> pd.DataFrame:
    """Return the air of each spell of time: of the day of a scrape, of the days of drying.

    A spell includes its start, and not its end. `time` are the times of the logger's readings, in
    any order, of relative humidity (per cent) and temperature (°C); a reading without either is
    left out.

    Each spell has the means `rh_pct`, `temp_c` and `moisture_pct`, `rh_low_pct`, `rh_high_pct`, and
    the number of `readings`; NaN without any.

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
        # The mean of a spell as a difference of two running sums.
        total = np.concatenate([[0.0], np.cumsum(log[name])])
        spells.loc[some, name] = (total[stop[some]] - total[begin[some]]) / readings[some]
    rh = log["rh_pct"].to_numpy()
    spells.loc[some, "rh_low_pct"] = [rh[a:b].min() for a, b in zip(begin[some], stop[some])]
    spells.loc[some, "rh_high_pct"] = [rh[a:b].max() for a, b in zip(begin[some], stop[some])]
    return spells.assign(readings=readings)
