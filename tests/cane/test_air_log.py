"""The logger's record of each spell, against brute force."""

import numpy as np
import pandas as pd
import pytest

from reedlab.cane import air_log
from reedlab.cane.moisture import equilibrium_moisture_pct


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
    found = air_log.over(start, end, log["time"], log["rh"], log["temp"])
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
    found = air_log.over(["2025-01-01"], ["2025-01-02"], pd.to_datetime([]), [], [])
    assert np.isnan(found["rh_pct"][0]) and found["readings"][0] == 0
