"""What the report says of a made-up bench beside the truth that made it, for the curious."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.decide import matters
from reedlab.decide.answer import Verdict
from reedlab.decide.costs import Tied, cost_per_saleable
from reedlab.decide.shared_models import cane_slopes
from reedlab.decide.shared_models.cane_slopes import BETWEEN, PROPERTIES

if TYPE_CHECKING:
    from reedlab.decide.conditions.season_effects import Seasons
    from reedlab.decide.stopping.before_tying import PassingOver
    from reedlab.decide.suppliers.comparison import Suppliers
    from reedlab.simulate import Truth

Row = tuple[str, float, float, float, float]
RANGES = ("what", "said", "low", "high", "true", "holds")
CLAIMS = ("claim", "how_sure", "true", "holds")


def ranges(said: Suppliers, season: Seasons, sorting: PassingOver, truth: Truth) -> pd.DataFrame:
    """Lay each range of the report beside the truth.

    One row a range: what (in words), said, low, high, true (all in 100 reeds, or per cent of the
    time), holds (whether the range holds the truth).
    """
    made = truth.suppliers.set_index("supplier")
    rows = [
        (
            f"good in 100, next lot of {row.supplier}",
            *(100 * row[name] for name in ("success", "success_low", "success_high")),
            100 * made.loc[row.supplier, "next_success"],
        )
        for _, row in said.table.iterrows()
    ]
    rows += [*_of_cane(said, sorting, truth), *_of_air(season, truth)]
    frame = pd.DataFrame(rows, columns=list(RANGES[:-1]))
    return frame.assign(holds=frame["true"].between(frame["low"], frame["high"]))


def _of_cane(said: Suppliers, sorting: PassingOver, truth: Truth) -> list[Row]:
    rows = []
    for row, true in zip(sorting.slopes.itertuples(), _true_points(said, sorting, truth)):
        who = "lots" if row.which == BETWEEN else "pieces of one lot"
        ends = (100 * end for end in (row.points, row.points_low, row.points_high))
        rows.append((f"more good in 100, {who} with {row.property}", *ends, 100 * true))
    return rows


def _of_air(season: Seasons, truth: Truth) -> list[Row]:
    """Damp air against dry, in reeds and in time."""
    rows: list[Row] = []
    dry, damp = season.moisture
    of_air = season.table[season.table["over"] == "moisture"]
    for _, row in of_air.iterrows():
        ends = [row[name] for name in ("effect", "low", "high")]
        if row["measure"] == "success":
            log_odds = truth.world.moisture * (damp - dry)
            true = 100 * float(matters.points(log_odds, row["usual"]))
            rows.append(("more good in 100, in damp air", *(100 * end for end in ends), true))
        else:
            true = 100 * np.expm1(truth.world.moisture_minutes * (damp - dry))
            more = (100 * (end - 1) for end in ends)
            rows.append(("% more time for a good reed, in damp air", *more, float(true)))
    return rows


def claims(said: Suppliers, sorting: PassingOver, truth: Truth) -> pd.DataFrame:
    """Lay the choice of cane, and what is sure or likely of its properties, beside the truth.

    Columns: claim, how_sure, true (in words), holds: of a choice, that it is the best; of a
    property, its direction and at least half the size that matters.
    """
    basis = said.grounds()
    arms = basis.evidence.arms
    made = truth.suppliers.set_index("supplier").loc[arms["supplier"]]
    means = (made[n].to_numpy() for n in ("success", "minutes_success", "minutes_failure"))
    before = arms[["cane", "minutes_before"]].fillna(0.0).to_numpy(float).T
    cost = pd.Series(cost_per_saleable(Tied(*means, *before), basis.evidence.rates), made.index)
    order = [str(name) for name in cost.sort_values().index]
    says = f"Over its lots {said.best} is the cheapest."
    first = (says, said.verdict.value, " before ".join(order[:2]), order[0] == said.best)
    rows = [first]
    for (_, slope), true in zip(sorting.slopes.iterrows(), _true_points(said, sorting, truth)):
        of = next(one for one in PROPERTIES.values() if one.more == slope["property"])
        statement, _, grade, size, _ = cane_slopes.claim(slope, slope["which"], of)
        if grade is not Verdict.CANNOT_SAY:
            holds = true * np.sign(size) >= matters.SUCCESS / 2
            rows.append(
                (statement, grade.value, f"{100 * true:+.0f} in 100".replace("-", "−"), bool(holds))
            )
    return pd.DataFrame(rows, columns=list(CLAIMS))


def _true_points(said: Suppliers, sorting: PassingOver, truth: Truth) -> list[float]:
    """Return what more of each property does to the share of good reeds, row by row."""
    effects = {PROPERTIES["density_g_cm3"].more: truth.world.density}  # per step; others have none
    good = float(said.grounds().evidence.settled["success"].mean())
    log_odds = [effects.get(name, 0.0) for name in sorting.slopes["property"]]
    return [float(points) for points in matters.points(log_odds, good)]
