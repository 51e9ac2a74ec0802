"""How moist the workshop made the cane, month by month.

Wood stands in for cane, which has no table of its own that we know of: cane is not wood. The
figures order the months; they do not say what a reed holds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.cane.moisture import equilibrium_moisture_pct, in_spells
from reedlab.cane.readings import ROOM_C
from reedlab.errors import DecisionError

if TYPE_CHECKING:
    from reedlab.records import Bench

SILENT_DAYS = 7
"""Days between two readings from which on a logger was silent rather than slow."""


@dataclass(frozen=True)
class Air:
    """The workshop's air by month.

    Attributes
    ----------
    months : pandas.DataFrame
        One row a month: `month`, `readings`, `rh_pct` and `moisture_pct` (means), each with
        `_low` and `_high` (10th and 90th percentile of the readings), `temp_c`, `heated` (share of
        the readings in a heated spell).
    heating : pandas.DataFrame
        Rows ``heated`` and ``not heated``: `readings`, `rh_pct`, `moisture_pct`.
    silences : pandas.DataFrame
        Weeks and longer without a reading: `first`, `last` (the readings on either side), `days`.
    source : str
        ``the logger`` or ``the notes on reeds``.
    """

    months: pd.DataFrame
    heating: pd.DataFrame
    silences: pd.DataFrame
    source: str

    def sentence(self) -> str:
        """Say when the cane was driest and dampest, what heating goes with, and what is missing."""
        dry = self.months.loc[self.months["moisture_pct"].idxmin()]
        damp = self.months.loc[self.months["moisture_pct"].idxmax()]
        said = (
            f"By {self.source} the cane was driest in {dry['month']:%B %Y} (about "
            f"{dry['moisture_pct']:.1f} % moisture, were it wood) and dampest in "
            f"{damp['month']:%B %Y} ({damp['moisture_pct']:.1f} %)"
        )
        if (self.heating["readings"] > 0).all():
            gap = self.heating["moisture_pct"].diff().iloc[-1]
            told = "drier" if gap > 0 else "damper"
            said += f", {abs(gap):.1f} points {told} while the room is heated"
        if len(self.silences):
            days = int(self.silences["days"].sum())
            return f"{said}. Of {days} days nothing is known: look after the logger's battery."
        return f"{said}. Keep the logger running: it fills in the air of every reed without notes."


def air(bench: Bench) -> Air:
    """Summarise the workshop's air by month, and by whether it was heated.

    Parameters
    ----------
    bench : Bench
        A bench with an ``air`` table, or with humidity noted on its reeds.

    Returns
    -------
    Air

    Raises
    ------
    DecisionError
        When no humidity is noted anywhere.
    """
    air, source = bench.tables["air"][["time", "rh_pct", "temp_c"]], "the logger"
    if air["rh_pct"].notna().sum() == 0:
        reeds = bench.tables["reeds"]
        when = reeds["rough_on"].fillna(reeds["tied_on"])
        air, source = reeds.assign(time=when)[["time", "rh_pct", "temp_c"]], "the notes on reeds"
    air = air.dropna(subset=["time", "rh_pct"]).sort_values("time", ignore_index=True)
    if air.empty:
        raise DecisionError(
            "No humidity is noted: put a logger into the workshop and save its file as the table "
            "air, or note rh_pct and temp_c at the rough scrape."
        )
    air = air.assign(
        moisture_pct=equilibrium_moisture_pct(air["rh_pct"], air["temp_c"].fillna(ROOM_C)),
        heated=in_spells(air["time"], bench.settings.heated),
        month=air["time"].dt.to_period("M").dt.to_timestamp(),
    )
    by_month = air.groupby("month")
    months = by_month[["rh_pct", "moisture_pct", "temp_c", "heated"]].mean()
    months.insert(0, "readings", by_month.size())
    for name in ("rh_pct", "moisture_pct"):
        for end, share in (("low", 0.1), ("high", 0.9)):
            months[f"{name.removesuffix('_pct')}_{end}_pct"] = by_month[name].quantile(share)
    by_heat = air.groupby(np.where(air["heated"], "heated", "not heated"))
    heating = by_heat[["rh_pct", "moisture_pct"]].mean()
    heating.insert(0, "readings", by_heat.size())
    heating = heating.reindex(["heated", "not heated"]).fillna({"readings": 0})
    gap = air["time"].diff().dt.total_seconds() / 86400
    silent = gap[gap > SILENT_DAYS] if source == "the logger" else gap[:0]
    silences = pd.DataFrame(
        {
            "first": air["time"].shift().loc[silent.index].dt.normalize(),
            "last": air["time"].loc[silent.index].dt.normalize(),
            "days": silent.round().astype(int),
        }
    )
    return Air(
        months.reset_index(), heating.rename_axis("room"), silences.reset_index(drop=True), source
    )
