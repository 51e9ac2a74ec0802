"""Tidy frames from a bench's tables: one row a reed, one row a piece."""

from __future__ import annotations

from collections.abc import Mapping, Set

import numpy as np
import pandas as pd

from reedlab.cane import air_log, density, gouge, moisture
from reedlab.cane.readings import ROOM_C
from reedlab.records.settings import Settings
from reedlab.records.tables import COUNTED, PENDING_COUNT, TABLES, TIED_COUNT
from reedlab.records.tidy.days import by_month, exact, middle
from reedlab.records.tidy.minutes import with_minutes

Tables = Mapping[str, pd.DataFrame]

FROM_LOT = ("supplier", "grower", "harvest_year", "form", "hardness_class")
FROM_PIECE = (
    *("tube", "measured_state", "density_g_cm3", "density_route", "density_sd"),
    *("hardness", "hardness_gauge", "straightness", "gouge_centre_mm", "gouge_asymmetry_mm"),
    *("diameter_mm", "mass_g"),
)
SPLIT_WALL_MM = 2.0  # wall of a split tube, before any gouging: common practice, no source
_STATUS = pd.CategoricalDtype(["success", "failure", "pending"])


def cane(tables: Tables) -> pd.DataFrame:
    """Return one row a measured piece, with lot, supplier and density by the most precise route."""
    pieces = first_of_each(tables["pieces"], "piece")
    lots = first_of_each(tables["lots"], "lot").set_index("lot")
    frame = pieces.reset_index(drop=True)
    for name in ("supplier", "grower", "form"):
        frame[name] = looked_up(frame["lot"], lots[name])
    sold = lots[["diameter_min_mm", "diameter_max_mm"]].mean(axis=1, skipna=False)
    as_sold = looked_up(frame["lot"], sold)
    sizes = [
        frame["length_mm"].to_numpy(),
        frame["width_mm"].to_numpy(),
        frame["diameter_mm"].fillna(as_sold).to_numpy(),  # a gouged piece shows none
        *(frame[f"gouge_{n}_mm"].to_numpy() for n in ("centre", "left", "right", "side_at")),
    ]
    # Once shaped, a piece's edges are no longer parallel, so length and width give no volume.
    soaked = frame["wet"].fillna(False).astype(bool)
    strip = (frame["measured_state"].astype(object).ne("shaped") & ~soaked).to_numpy()
    frame["volume_mm3"] = np.where(strip, gouge.volume_mm3(*sizes), np.nan)
    volume_sd = gouge.volume_sd_mm3(*sizes)
    given = density.Density(frame["density_g_cm3"].to_numpy(), np.full(len(frame), np.nan))
    wall, split = frame["gouge_centre_mm"], frame["measured_state"] == "split"
    wall = wall.mask(wall.isna() & split, SPLIT_WALL_MM)
    floated = density.by_floating(frame["float_submerged_mm"], frame["length_mm"], wall_mm=wall)
    routes = {
        "given": given,
        "float": floated,
        "volume": density.by_volume(frame["mass_g"], frame["volume_mm3"], volume_sd),
    }
    best, route = density.best_route(routes)
    frame["density_g_cm3"], frame["density_sd"] = best
    frame["density_route"] = pd.Categorical(route, categories=list(routes))
    sides = frame["gouge_left_mm"], frame["gouge_right_mm"]
    frame["gouge_asymmetry_mm"] = gouge.asymmetry_mm(*sides)
    frame["moisture_pct"] = _moisture(frame["rh_pct"], frame["temp_c"])
    made = first_of_each(tables["reeds"], "reed")["piece"].value_counts()
    frame["reeds"] = frame["piece"].map(made).fillna(0).astype(int)
    return with_categories(frame)


def reeds(
    tables: Tables,
    measured: pd.DataFrame,
    settings: Settings,
    until: pd.Timestamp,
    unread: Set[int] = frozenset(),
) -> pd.DataFrame:
    """Return one row a reed, with its piece, lot, supplier and air.

    Of a label in two rows the first row counts. `measured` is the frame that `cane` returns, reeds
    tied up to `until` are ``settled``, and an outcome that could not be read (`unread`) has no
    status.

    The columns are those of ``reeds`` but the counts of batches, those of its lot and piece, then
    ``status``, ``success`` (NaN while pending), ``settled``, ``scrape_min`` and its logarithm (of a
    reed given up, the minutes until then), ``minutes_shared``, ``season``, ``year_cos``,
    ``year_sin``, ``heated``, ``moisture_pct``, ``drying_rh_pct``, ``drying_moisture_pct`` and
    ``tied_month``.
    """
    frame = with_usual(first_of_each(tables["reeds"], "reed"), settings)
    rows = frame.index
    frame = frame.reset_index(drop=True)
    pieces = measured.set_index(measured["piece"].astype(object))
    frame["lot"] = lots_of(frame, tables["pieces"])
    lots = first_of_each(tables["lots"], "lot").set_index("lot")
    for key, names, values in (("lot", FROM_LOT, lots), ("piece", FROM_PIECE, pieces)):
        places = _places(frame[key], values.index)
        for name in names:
            frame[name] = _taken(values[name], places, frame.index)

    known = frame["outcome"].notna().to_numpy()
    success = known & frame["outcome"].isin(settings.success).to_numpy()
    lost = np.isin(rows, list(unread)) & ~known
    status = np.select([lost, success, known], [-1, 0, 1], 2)
    frame["status"] = pd.Categorical.from_codes(status, dtype=_STATUS)
    frame["success"] = np.where(known, success.astype(float), np.nan)
    # A reed of which only the month is known may have been tied on its last day.
    month_end = frame["tied_on"] + pd.offsets.MonthEnd(0)
    latest = frame["tied_on"].where(~by_month(frame, "tied_on"), month_end)
    frame["settled"] = (latest <= until).to_numpy(bool)

    frame = with_minutes(frame, tables["sittings"])
    frame["settled"] &= frame["lot"].notna() & ~of_no_supplier(frame)
    frame = _with_air(frame, tables["air"])
    dates = middle(frame, "tied_on")
    frame["season"] = moisture.season(dates, settings.hemisphere)
    frame["year_cos"], frame["year_sin"] = moisture.year_cos_sin(dates)
    frame["heated"] = moisture.in_spells(dates, settings.heated)
    frame["moisture_pct"] = _moisture(frame["rh_pct"], frame["temp_c"])
    frame["tied_month"] = dates.dt.to_period("M").dt.to_timestamp()
    return with_categories(frame.drop(columns=[TIED_COUNT, *COUNTED, PENDING_COUNT]))


def of_no_supplier(reeds: pd.DataFrame) -> pd.Series:
    """Say of each reed whether its supplier is not known, in a bench that names suppliers."""
    known = reeds["supplier"].notna()
    return ~known & known.any()


def with_usual(reeds: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Fill empty cells from the usual set-up on the day of tying, in columns that are there."""
    filled = reeds.copy(deep=False)  # pandas copies a column when it is written to
    for usual in reversed(settings.usual):
        applies = filled["tied_on"] >= pd.Timestamp(usual.since)
        for name, value in usual.values.items():
            if name in filled:
                filled[name] = filled[name].where(filled[name].notna() | ~applies, value)
    return filled


def lots_of(reeds: pd.DataFrame, pieces: pd.DataFrame) -> pd.Series:
    """Return each reed's lot: its own, else its piece's."""
    lots = reeds["lot"]
    if lots.notna().all():
        return lots.copy()
    of_piece = first_of_each(pieces, "piece").set_index("piece")["lot"]
    return lots.fillna(looked_up(reeds["piece"], of_piece))


def _with_air(frame: pd.DataFrame, log: pd.DataFrame) -> pd.DataFrame:
    """Fill the air on the day of the rough scrape from the logger, and add that of the drying."""
    rough_on, finished_on = exact(frame, "rough_on"), exact(frame, "finished_on")
    day = rough_on.fillna(exact(frame, "tied_on"))
    readings = (log["time"], log["rh_pct"], log["temp_c"])
    at_scrape = air_log.over(day, day + pd.Timedelta(days=1), *readings)
    for name in ("rh_pct", "temp_c"):
        frame[name] = frame[name].fillna(at_scrape[name])
    # Days have no hours here: a reed dries from noon of the rough scrape to noon of the finish.
    noon = pd.Timedelta(hours=12)
    drying = air_log.over(rough_on + noon, finished_on + noon, *readings)
    frame["drying_rh_pct"] = drying["rh_pct"]
    frame["drying_moisture_pct"] = drying["moisture_pct"]
    return frame


def _moisture(rh_pct: pd.Series, temp_c: pd.Series) -> np.ndarray:
    """Return equilibrium moisture, at room temperature where the temperature is missing."""
    return moisture.equilibrium_moisture_pct(rh_pct, temp_c.fillna(ROOM_C))


def first_of_each(frame: pd.DataFrame, key: str) -> pd.DataFrame:
    """Return the rows without those that repeat a key; rows without a key stay."""
    return frame[~frame.duplicated(key) | frame[key].isna()]


def looked_up(keys: pd.Series, values: pd.Series) -> pd.Series:
    """Return the value that `values` has under each key, in its own type."""
    return _taken(values, _places(keys, values.index), keys.index)


def _places(keys: pd.Series, index: pd.Index) -> np.ndarray:
    """Return where each key is in an index, -1 for none; an empty label is nobody's key."""
    known = np.flatnonzero(index.notna())
    at = index[known].astype(object).get_indexer(keys.astype(object))
    return np.append(known, -1)[at]


def _taken(values: pd.Series, places: np.ndarray, index: pd.Index) -> pd.Series:
    """Return the values at some places, in their own type; empty at -1."""
    return pd.Series(values.array.take(places, allow_fill=True), index=index, dtype=values.dtype)


_NAMES = {
    c.name: None
    for t in ("lots", "reeds", "pieces")
    for c in TABLES[t].columns.values()
    if c.kind == "name"
}


def with_categories(frame: pd.DataFrame) -> pd.DataFrame:
    """Turn names into categories, which models use as factors."""
    return frame.astype({name: "category" for name in _NAMES if name in frame})
