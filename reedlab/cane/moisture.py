"""The cane's equilibrium moisture, and the time of year.

Cane takes up and gives off water until it is in equilibrium with the air. We know of no table for
reed cane, so the figures are those of wood: **cane is not wood**. They rank days by moisture, and
do not say how much water a piece holds. Bamboo, which is nearer to cane, follows the same form
(Alipon and Bondad 2014).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from reedlab.cane.readings import Floats, floats

SEASONS = ("spring", "summer", "autumn", "winter")


def equilibrium_moisture_pct(rh_pct: ArrayLike, temp_c: ArrayLike) -> Floats:
    """Return the equilibrium moisture of wood, used for cane: per cent of the oven-dry mass.

    The two-hydrate Hailwood-Horrobin equation: with h the relative humidity as a fraction,

    M = 1800/W · [ K h / (1 - K h) + (K₁ K h + 2 K₁ K₂ K² h²) / (1 + K₁ K h + K₁ K₂ K² h²) ],

    where W, K, K₁ and K₂ are quadratics in the temperature. Humidity outside 0 to 100 gives NaN.

    USDA Forest Products Laboratory (2021), Wood Handbook, FPL-GTR-282, chapter 4, equation 4-5 and
    table 4-2. Alipon and Bondad (2014) for bamboo's like form (from memory).

    A heated winter workshop against a damp summer one:

    >>> equilibrium_moisture_pct([30, 70], 21.1).round(1).tolist()
    [6.2, 13.1]
    """
    # Wood Handbook, eq. 4-5: W is the molecular weight of wood per sorption site, K and the Kᵢ are
    # equilibrium constants.
    t, h = floats(temp_c), floats(rh_pct) / 100.0
    h = np.where((h >= 0) & (h <= 1), h, np.nan)
    w = 349 + 1.29 * t + 0.0135 * t**2
    k = 0.805 + 0.000736 * t - 0.00000273 * t**2
    k1 = 6.27 - 0.00938 * t - 0.000303 * t**2
    k2 = 1.91 + 0.0407 * t - 0.000293 * t**2
    kh = k * h
    hydrates = (k1 * kh + 2 * k1 * k2 * kh**2) / (1 + k1 * kh + k1 * k2 * kh**2)
    return np.asarray(1800 / w * (kh / (1 - kh) + hydrates))


def season(dates: Any, hemisphere: str = "north") -> pd.Categorical:
    """Return the season of each date by meteorological months, ordered spring to winter.

    In the north spring is March to May, summer June to August, autumn September to November, winter
    December to February; in the south the seasons are shifted by half a year. WMO guidelines use
    these three-month seasons; so do the national weather services.

    >>> list(season(["2024-02-29", "2024-03-01"]))
    ['winter', 'spring']
    >>> list(season(["2024-02-29"], hemisphere="south"))
    ['summer']
    """
    if hemisphere not in ("north", "south"):
        raise ValueError(f'hemisphere is {hemisphere!r}: write "north" or "south".')
    month = pd.DatetimeIndex(pd.to_datetime(dates)).month.to_numpy(dtype=float)
    quarter = ((month - 3) // 3 + (0 if hemisphere == "north" else 2)) % 4
    codes = np.where(np.isnan(quarter), -1, quarter).astype(np.int64)
    names = np.array([*SEASONS, None], dtype=object)[codes]
    return pd.Categorical(names, categories=list(SEASONS), ordered=True)


def year_cos_sin(dates: Any) -> tuple[Floats, Floats]:
    """Return the day of the year as a point on a circle, for a smooth yearly cycle in a model.

    The two terms `year_cos + year_sin` fit any sine wave of one year: its amplitude is √(b_cos² +
    b_sin²) and its phase atan2(b_sin, b_cos). It has one degree of freedom less than four seasons,
    and no jumps. cos is 1 on 1 January, sin about 1 April; a year is 365.2425 days.

    Stolwijk, Straatman and Zielhuis (1999), J Epidemiol Community Health 53(4) 235-238.

    >>> cos, sin = year_cos_sin(["2025-01-01", "2025-07-02"])
    >>> cos.round(2).tolist()
    [1.0, -1.0]
    """
    when = pd.DatetimeIndex(pd.to_datetime(dates))
    angle = 2 * np.pi * (when.day_of_year.to_numpy(dtype=float) - 1) / 365.2425
    return np.cos(angle), np.sin(angle)


def in_spells(dates: Any, spells: Iterable[tuple[str, str | None]]) -> NDArray[np.bool_]:
    """Say whether each date is in one of the spells, such as those when a room was heated.

    A spell is two ISO days, both included: ``2024-10-15`` for one year, ``10-15`` for every year; a
    yearly spell may include New Year. A last day of None means that the spell has not ended.

    >>> in_spells(["2024-10-01", "2025-01-15"], [("10-15", "03-31")]).tolist()
    [False, True]
    """
    when = pd.DatetimeIndex(pd.to_datetime(dates))
    years, days = when.strftime("%Y-%m-%d"), when.strftime("%m-%d")
    inside = np.zeros(len(when), dtype=bool)
    for first, last in spells:
        day = days if len(first) == len("10-15") else years
        until = last or "9999-12-31"
        after, before = np.asarray(day >= first), np.asarray(day <= until)
        inside |= (after & before) if first <= until else (after | before)
    return inside & ~np.asarray(when.isna())
