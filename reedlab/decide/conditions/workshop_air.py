"""How moist the workshop made the cane, month by month.

Wood is the proxy for cane, which has no published table that we know of: cane is not wood. The
figures order the months; they do not say what a reed holds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.cane.moisture import equilibrium_moisture_pct, in_spells
from reedlab.cane.readings import ROOM_C
from reedlab.decide.answer import About, Answer, CannotAnswer, RecordNext, empty, question

if TYPE_CHECKING:
    from reedlab.records import Bench

SILENT_DAYS = 7
"""Days between two readings from which on a logger was silent rather than slow."""


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Air(Answer):
    """The workshop's air by month; it describes and claims nothing.

    Attributes
    ----------
    table : pandas.DataFrame
        One row a month: `month`, `readings`, `rh_pct` and `moisture_pct` (means), `temp_c`,
        `heated` (share of the readings in a heated spell), and the central share `level` of the
        readings: `rh_low_pct`, `rh_high_pct`, `moisture_low_pct`, `moisture_high_pct`.
    heating : pandas.DataFrame
        Indexed by `room` (``heated``, ``not heated``): `readings`, `rh_pct`, `moisture_pct`.
    silences : pandas.DataFrame
        Weeks and longer without a reading: `first`, `last` (the readings on either side), `days`.
    logged : bool
        Whether a logger took the readings; else they are the notes on reeds.
    """

    table: pd.DataFrame = empty(
        "month",
        "readings",
        "rh_pct",
        "moisture_pct",
        "temp_c",
        "heated",
        "rh_low_pct",
        "rh_high_pct",
        "moisture_low_pct",
        "moisture_high_pct",
    )
    level: float = 0.9
    heating: pd.DataFrame = empty("readings", "rh_pct", "moisture_pct", index="room")
    silences: pd.DataFrame = empty("first", "last", "days")
    logged: bool = False

    def _sentence(self) -> str:
        dry = self.table.loc[self.table["moisture_pct"].idxmin()]
        damp = self.table.loc[self.table["moisture_pct"].idxmax()]
        said = (
            f"By {'the logger' if self.logged else 'the notes on reeds'} the cane was driest in "
            f"{dry['month']:%B %Y} (about {dry['moisture_pct']:.1f} % moisture, were it wood) and "
            f"dampest in {damp['month']:%B %Y} ({damp['moisture_pct']:.1f} %)"
        )
        if (self.heating["readings"] > 0).all():
            gap = self.heating["moisture_pct"].diff().iloc[-1]
            way = "drier" if gap > 0 else "damper"
            said += f", {abs(gap):.1f} points {way} while the room is heated"
        if len(self.silences):
            said += f". The logger was silent for {int(self.silences['days'].sum())} days"
        return f"{said}."


@question(Air)
def air(bench: Bench, *, level: float = 0.9, seed: int = 1) -> Air:
    """Summarise the workshop's air by month, and by whether it was heated.

    Parameters
    ----------
    bench : Bench
        A bench with an ``air`` table, or with humidity noted on its reeds.
    level : float
        The central share of a month's readings between its low and high.
    seed : int
        As every question has it; this one draws nothing.

    Returns
    -------
    Air
        Unanswered where no humidity is noted.
    """
    names = ["time", "rh_pct", "temp_c"]
    readings = bench.tables["air"][names]
    logged = bool(readings["rh_pct"].notna().any())
    if not logged:
        reeds = bench.tables["reeds"]
        readings = reeds.assign(time=reeds["rough_on"].fillna(reeds["tied_on"]))[names]
    readings = readings.dropna(subset=["time", "rh_pct"]).sort_values("time", ignore_index=True)
    if readings.empty:
        raise CannotAnswer(
            "No humidity is noted.",
            RecordNext(
                "Put a logger into the workshop and save its file as the table air, or note rh_pct "
                "and temp_c at the rough scrape."
            ),
        )
    readings = readings.assign(
        moisture_pct=equilibrium_moisture_pct(
            readings["rh_pct"], readings["temp_c"].fillna(ROOM_C)
        ),
        heated=in_spells(readings["time"], bench.settings.heated),
        month=readings["time"].dt.to_period("M").dt.to_timestamp(),
    )
    by_month = readings.groupby("month")
    months = by_month[["rh_pct", "moisture_pct", "temp_c", "heated"]].mean()
    months.insert(0, "readings", by_month.size())
    for name in ("rh_pct", "moisture_pct"):
        for end, share in (("low", (1 - level) / 2), ("high", (1 + level) / 2)):
            months[f"{name.removesuffix('_pct')}_{end}_pct"] = by_month[name].quantile(share)
    by_heat = readings.groupby(np.where(readings["heated"], "heated", "not heated"))
    heating = by_heat[["rh_pct", "moisture_pct"]].mean()
    heating.insert(0, "readings", by_heat.size())
    heating = heating.reindex(["heated", "not heated"]).fillna({"readings": 0})
    gap = readings["time"].diff().dt.total_seconds() / 86400
    silent = gap[gap > SILENT_DAYS] if logged else gap[:0]
    silences = pd.DataFrame(
        {
            "first": readings["time"].shift().loc[silent.index].dt.normalize(),
            "last": readings["time"].loc[silent.index].dt.normalize(),
            "days": silent.round().astype(int),
        }
    )
    following = "Keep the logger running: it fills in the air of every reed without notes."
    if not logged:
        following = "Put a logger into the workshop: it fills in the air of reeds without notes."
    elif len(silences):
        following = "Look after the logger's battery."
    return Air(
        table=months.reset_index(),
        level=level,
        record_next=RecordNext(following, about=About.AIR, more=not logged or len(silences) > 0),
        heating=heating.rename_axis("room"),
        silences=silences.reset_index(drop=True),
        logged=logged,
    )
