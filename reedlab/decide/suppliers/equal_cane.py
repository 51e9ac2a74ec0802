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
    About,
    Answer,
    CannotAnswer,
    RecordNext,
    Verdict,
    claims_frame,
    empty,
    graded,
    question,
)
from reedlab.decide.draws import interval, share_lowest
from reedlab.decide.evidence import count
from reedlab.decide.shared_models import cane_slopes
from reedlab.decide.shared_models.cane_slopes import (
    BETWEEN,
    SLOPES,
    WITHIN,
    Property,
    ask_for,
    property_of,
)
from reedlab.decide.shared_models.models import Spec, ability, success_posterior
from reedlab.decide.suppliers.comparison import Suppliers
from reedlab.errors import DataError
from reedlab.records.tables import in_words

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
        That lots with more of the property have more or fewer good reeds, then the same of pieces
        of one lot, then one row a supplier, the likeliest first: that its reeds succeed most with
        the property held equal, with prob_highest_equal, and by how much in the chance of success.
    slopes
        Of `unit` more of the property; see `cane_slopes.slopes`.
    accounts_for
        How much of the lead of the best supplier over the worst, as bought, goes when the property
        is held equal: median share, low, high; below 0 the lead grows.
    name, unit
        The property and the step that the slopes are for, see `cane_slopes.PROPERTIES`.
    step
        The step in words.
    measured
        Share of lots of which the property was ever measured.
    left_out
        Settled reeds without the property, which do not count.
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
    slopes: pd.DataFrame = empty(*SLOPES)
    accounts_for: pd.Series = field(default_factory=lambda: pd.Series(dtype=float))
    name: str = ""
    unit: float = 1.0
    step: str = ""
    measured: float = 0.0
    left_out: int = 0

    def _sentence(self) -> str:
        slope, share = self.slopes.loc[BETWEEN], self.accounts_for
        best, worst = self.table["supplier"].iloc[[0, -1]]
        words = in_words(self.name)
        good = float(np.average(self.table["success"], weights=self.table["reeds"]))
        middle, low, high = (
            100 * (good + slope[name]) for name in ("points", "points_low", "points_high")
        )
        text = (
            f"Where {100 * good:.0f} in 100 reeds turned out good, it was about {middle:.0f} of "
            f"lots with {self.step} ({self.level:.0%} interval {low:.0f} to {high:.0f})."
        )
        left = (
            f" Left out: {count(self.left_out, 'reed')} whose {words} was not measured, which "
            "could change this."
            if self.left_out
            else ""
        )
        if self.verdict is Verdict.CANNOT_SAY:
            return f"Cannot say yet whether {words} is behind it. {text}{left}"
        goes = f"{share['low']:.0%} to {share['high']:.0%}"
        likely = "Likely: " if self.verdict is Verdict.LIKELY else ""
        explains = (
            f"Cannot say yet how much of the lead of {best} over {worst} that explains"
            if share["low"] < 0
            else f"With {words} held equal, {share['median']:.0%} of the lead of {best} over "
            f"{worst} goes"
        )
        asks = ask_for(slope, property_of(self.name, self.table["mean"]), self.measured)
        return f"{likely}{text} {explains} ({self.level:.0%} interval {goes}).{left} {asks}".strip()


@question(EqualCane)
def hold_equal(said: Suppliers, name: str = "density_g_cm3") -> EqualCane:
    """Compare suppliers with a property of the cane, a column of ``bench.reeds``, held equal.

    Only reeds whose piece was measured count, in both comparisons, so that they differ in nothing
    but the property. The records cannot answer when fewer than four lots, or fewer than two
    suppliers, are measured; a column that does not hold numbers is a DataError.
    """
    basis = said.grounds(of_costs=False)
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
    terms = cane_slopes.terms(name)
    names = sorted(reeds["supplier"].astype(str).unique())
    bought = success_posterior(reeds, Spec(), seed, draws)
    equal = success_posterior(reeds, Spec(terms=terms), seed, draws)
    fixed = list(equal.design.fixed_names)
    held = {t: equal.design.X[:, fixed.index(t)].mean() for t in terms}
    chance = [
        ability(bought, names, seed=seed).expected_chance(),
        ability(equal, names, seed=seed, held=held).expected_chance(),
    ]
    of = property_of(name, reeds[name])
    good = float(reeds["success"].mean())
    slopes = cane_slopes.slopes(equal.draws(), name, of.step, good, said.level)
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
        claims=_claims(table, name, slopes, of),
        notes=said.notes,
        record_next=RecordNext(
            f"Measure the pieces of more lots, of every supplier ({measured} lots are measured).",
            about=About.MEASURING,
        ),
        slopes=slopes,
        accounts_for=goes,
        name=name,
        unit=of.step,
        step=of.more,
        measured=cane_slopes.lots_measured(every, name),
        left_out=len(every) - len(reeds),
    )


def _claims(table: pd.DataFrame, name: str, slopes: pd.DataFrame, of: Property) -> pd.DataFrame:
    """Claim both slopes, then of each supplier that its reeds succeed most; see `EqualCane`."""
    chances = table.set_index("supplier")["prob_highest_equal"].sort_values(ascending=False)
    success = table.set_index("supplier")["success_equal"]
    rows = [cane_slopes.claim(slopes.loc[which], which, of) for which in (BETWEEN, WITHIN)]
    for i, (supplier, chance) in enumerate(chances.items()):
        grade = graded(chance) if i == 0 else Verdict.CANNOT_SAY
        more = success[supplier] - success.drop(supplier).max()
        statement = f"With {in_words(name)} held equal, reeds of {supplier} succeed most."
        rows.append((statement, chance, grade, more, bool(more > 0)))
    return claims_frame(rows)
