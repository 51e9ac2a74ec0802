"""Is it the supplier or the cane: suppliers compared with a property of the cane held equal.

A supplier may do well because its cane is lighter, and then any light cane would do. Whether that
is so is a question about lots: the slope of success on a lot's mean property (`between`), which is
not the slope among the pieces of one lot (`within`, what passing over pieces needs). The suppliers'
next lots are predicted at one and the same property, and the difference to the prediction as bought
is what the property accounts for. It is association: lots are not assigned at random.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from reedlab.decide.answer import (
    Answer,
    CannotAnswer,
    RecordNext,
    Verdict,
    claims_frame,
    empty,
    leads,
    question,
)
from reedlab.decide.draws import interval, share_lowest
from reedlab.decide.evidence import count
from reedlab.decide.models import Spec, ability, success_posterior
from reedlab.decide.suppliers.comparison import Suppliers
from reedlab.errors import DataError
from reedlab.records.tables import UNITS, in_words, stem

_LOTS = 4
"""Measured lots below which a slope between lots is not asked."""


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class EqualCane(Answer):
    """Suppliers as bought and with a property of the cane held equal.

    See `Answer` for the rest of it.

    Attributes
    ----------
    table
        supplier, lots, reeds (of measured lots), mean (of the property), success (as bought),
        success_equal, prob_highest, prob_highest_equal.
    claims
        One row a supplier, the likeliest first: that its reeds succeed most with the property held
        equal, with prob_highest_equal, and by how much in the chance of success.
    slopes
        One row for `between` and one for `within`: odds_ratio (per `unit` of the property) with
        low and high.
    accounts_for
        How much of the lead of the best supplier over the worst, as bought, goes when the property
        is held equal: median share, low, high; below 0 the lead grows.
    name, unit
        The property and the step that the odds ratios are for (one standard deviation of its
        lots' means).
    """

    table: pd.DataFrame = empty(
        "supplier",
        "lots",
        "reeds",
        "mean",
        "success",
        "success_equal",
        "prob_highest",
        "prob_highest_equal",
    )
    slopes: pd.DataFrame = empty("odds_ratio", "low", "high")
    accounts_for: pd.Series = field(default_factory=lambda: pd.Series(dtype=float))
    name: str = ""
    unit: float = 1.0

    def _sentence(self) -> str:
        slope, share = self.slopes.loc["between"], self.accounts_for
        best, worst = self.table["supplier"].iloc[[0, -1]]
        words = in_words(self.name)
        step = f"{self.unit:.2g} {UNITS.get(self.name.removeprefix(stem(self.name)), '')}".strip()
        good = float(np.average(self.table["success"], weights=self.table["reeds"]))
        odds = good / (1 - good) * slope[["odds_ratio", "low", "high"]].to_numpy(float)
        middle, low, high = 100 * odds / (1 + odds)
        text = (
            f"Where {100 * good:.0f} in 100 reeds turned out good, it was about {middle:.0f} of "
            f"lots that are {step} higher in {words} ({self.level:.0%} interval {low:.0f} to "
            f"{high:.0f})."
        )
        if slope.low < 1 < slope.high:
            return f"Cannot say yet whether {words} is behind it. {text} {self.record_next}"
        goes = f"{share['low']:.0%} to {share['high']:.0%}"
        if share["low"] < 0:
            return (
                f"{text} Cannot say yet how much of the lead of {best} over {worst} that explains "
                f"({self.level:.0%} interval {goes}). {self.record_next}"
            )
        return (
            f"{text} With {words} held equal, {share['median']:.0%} of the lead of {best} over "
            f"{worst} goes ({self.level:.0%} interval {goes})."
        )


@question(EqualCane)
def hold_equal(said: Suppliers, name: str = "density_g_cm3") -> EqualCane:
    """Compare suppliers with a property of the cane held equal.

    Only reeds whose piece was measured count, in both comparisons, so that they differ in nothing
    but the property.

    Parameters
    ----------
    said : Suppliers
        The comparison; its evidence, seed and level are used.
    name : str
        A numeric column of ``bench.reeds``.

    Returns
    -------
    EqualCane
        The records cannot answer when fewer than four lots, or fewer than two suppliers, are
        measured.

    Raises
    ------
    DataError
        When ``bench.reeds`` has no such column of numbers.
    """
    basis = said.grounds()
    every, seed, draws = basis.evidence.settled, basis.models.seed, len(basis.lot.one.success)
    if name not in every or not pd.api.types.is_numeric_dtype(every[name]):
        raise DataError(f"bench.reeds has no column of numbers called {name!r}: name one that is.")
    reeds = every.dropna(subset=name).reset_index(drop=True)
    lots, suppliers = reeds["lot"].nunique(), reeds["supplier"].nunique()
    if lots < _LOTS or suppliers < 2:
        raise CannotAnswer(
            f"{in_words(name).capitalize()} is measured in {count(lots, 'lot')} of "
            f"{count(suppliers, 'supplier')}.",
            RecordNext(f"Measure pieces of at least {_LOTS} lots of two suppliers."),
        )
    terms = (f"between({name}, lot)", f"within({name}, lot)")
    names = sorted(reeds["supplier"].astype(str).unique())
    bought = success_posterior(reeds, Spec(), seed, draws)
    equal = success_posterior(reeds, Spec(terms=terms), seed, draws)
    fixed = list(equal.design.fixed_names)
    held = {t: equal.design.X[:, fixed.index(t)].mean() for t in terms}
    chance = [
        ability(bought, names, seed=seed).expected_chance(),
        ability(equal, names, seed=seed, held=held).expected_chance(),
    ]
    means = reeds.groupby("lot", observed=True)[name].mean()
    unit = float(means.std())
    odds = np.exp(equal.draws()[list(terms)] * unit)
    low, high = interval(odds, said.level)
    slopes = pd.DataFrame(
        {"odds_ratio": odds.median().to_numpy(), "low": low, "high": high},
        index=["between", "within"],
    )
    table = (
        reeds.groupby("supplier", observed=True)
        .agg(lots=("lot", "nunique"), reeds=("reed", "size"), mean=(name, "mean"))
        .loc[names]
        .assign(
            success=chance[0].mean(axis=0),
            success_equal=chance[1].mean(axis=0),
            prob_highest=share_lowest(-chance[0]),
            prob_highest_equal=share_lowest(-chance[1]),
        )
        .rename_axis("supplier")
        .reset_index()
    )
    best, worst = int(table["success"].argmax()), int(table["success"].argmin())
    lead = chance[0][:, best].mean() - chance[0][:, worst].mean()
    share = 1 - (chance[1][:, best] - chance[1][:, worst]) / lead
    goes = pd.Series([np.median(share), *interval(share, said.level)], ["median", "low", "high"])
    table = table.astype({"supplier": str}).sort_values("success", ascending=False)
    measured = int(table["lots"].sum())
    return EqualCane(
        table=table.reset_index(drop=True),
        level=said.level,
        claims=_claims(table, name),
        notes=said.notes,
        record_next=RecordNext(
            f"Measure the pieces of more lots, of every supplier ({measured} lots are measured)."
        ),
        slopes=slopes,
        accounts_for=goes,
        name=name,
        unit=unit,
    )


def _claims(table: pd.DataFrame, name: str) -> pd.DataFrame:
    """Claim of each supplier that its reeds succeed most; the likeliest first."""
    chances = table.set_index("supplier")["prob_highest_equal"].sort_values(ascending=False)
    success = table.set_index("supplier")["success_equal"]
    rows = []
    for i, (supplier, chance) in enumerate(chances.items()):
        grade = Verdict.LIKELY if i == 0 and leads(chances) else Verdict.CANNOT_SAY
        more = success[supplier] - success.drop(supplier).max()
        statement = f"With {in_words(name)} held equal, reeds of {supplier} succeed most."
        rows.append((statement, chance, grade, more, bool(more > 0)))
    return claims_frame(rows)
