"""What a property of the cane goes with, between lots and within them: one number for every page.

A lot with denser cane may do worse because of its supplier, its harvest or the day; of one lot, a
denser piece may do worse because it is denser. The two are two questions, so both slopes are always
asked together, with supplier and lot in the model, for the same step of the property everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from reedlab.decide import matters
from reedlab.decide.answer import Verdict, graded
from reedlab.decide.draws import interval
from reedlab.records.tables import in_words, unit_of

FEWEST_LOTS = 4
"""Measured lots below which a slope between lots is not asked."""
FEWEST_REEDS = 20
MOST_LOTS = 2 / 3
"""Share of lots that must be measured before a property is a reason to ask a seller for cane."""
_DRAWS = 4000
BETWEEN, WITHIN = "between", "within"
_WHO = {BETWEEN: "lots", WITHIN: "pieces of one lot"}
SLOPES = ("odds_ratio", "low", "high", "points", "points_low", "points_high", "prob_matters")
"""Columns of a frame of slopes; its index is `BETWEEN` and `WITHIN`."""


@dataclass(frozen=True)
class Property:
    """A property of the cane: in words, its unit, and the step that its slopes are for.

    `much` and `little` are what cane is called that has more or less of it; empty where no seller
    can be asked for it.
    """

    says: str
    unit: str
    step: float
    much: str = ""
    little: str = ""

    @property
    def more(self) -> str:
        """The step in words, such as "0.05 g/cm³ more density"."""
        return " ".join(f"{self.step:.2g} {self.unit} more {self.says}".split())


PROPERTIES = {  # what is asked about, in this order
    "density_g_cm3": Property("density", "g/cm³", 0.05, "dense", "light"),
    "hardness": Property("hardness", "", 1.0, "hard", "soft"),
    "gouge_centre_mm": Property("thickness at the centre", "mm", 0.01),
}


def property_of(column: str, readings: pd.Series) -> Property:
    """Return a column's property; one that is not declared has a step of its standard deviation."""
    if column in PROPERTIES:
        return PROPERTIES[column]
    return Property(in_words(column), unit_of(column), float(readings.std()))


def terms(column: str) -> tuple[str, str]:
    """Return the terms of the formula, between lots and within them."""
    return f"between({column}, lot)", f"within({column}, lot)"


def step_of(term: str) -> tuple[float, str]:
    """Return what one of the `terms` is said for: the step of its property, and in words.

    Of any other term, 1 and no words.

    Examples
    --------
    >>> step_of("within(hardness, lot)")
    (1.0, 'pieces of one lot with 1 more hardness')
    """
    for column, of in PROPERTIES.items():
        both = dict(zip(terms(column), (f"{who} with {of.more}" for who in _WHO.values())))
        if term in both:
            return of.step, both[term]
    return 1.0, ""


def slopes(
    draws: pd.DataFrame, column: str, step: float, share: float, level: float
) -> pd.DataFrame:
    """Return both slopes for one step of a property, in the unit of its column.

    `draws` are of a model of success with the `terms` of the column, in log odds; `share` is that
    of good reeds, for the change in points. Indexed by `BETWEEN` and `WITHIN`: odds_ratio, low,
    high; points (change of the share of good reeds, 0 to 1), points_low, points_high; prob_matters
    (that the change, both pooled towards none, has its direction and is beyond five points).
    """
    rows, changes = [], []
    for name in terms(column):
        log_odds = step * draws[name].to_numpy(float)
        change = matters.points(log_odds, share)
        low, high = interval(log_odds, level)
        least, most = interval(change, level)
        odds = np.exp([np.median(log_odds), low, high])
        rows.append((*odds, np.median(change), least, most))
        changes.append(change / matters.SUCCESS)
    pooled = matters.towards_none(np.mean(changes, axis=1), np.std(changes, axis=1))
    found = pd.DataFrame(rows, columns=list(SLOPES[:-1]), index=[BETWEEN, WITHIN])
    return found.assign(prob_matters=[effect.beyond(1.0) for effect in pooled])


def of_reeds(reeds: pd.DataFrame, column: str, level: float, seed: int) -> pd.DataFrame:
    """Fit success of settled reeds on a property between and within lots; return both `slopes`.

    Empty where fewer than `FEWEST_LOTS` lots of two suppliers, or fewer than `FEWEST_REEDS` reeds,
    have the property, or they all ended alike.
    """
    from reedlab.decide.shared_models.models import Spec, success_posterior

    known = reeds.dropna(subset=[column]).reset_index(drop=True)
    if not enough(known, column):
        return pd.DataFrame(columns=list(SLOPES))
    post = success_posterior(known, Spec(terms=terms(column)), seed, _DRAWS)
    step = property_of(column, known[column]).step
    return slopes(post.draws(), column, step, float(known["success"].mean()), level)


def enough(known: pd.DataFrame, column: str) -> bool:
    """Whether reeds with a property are enough for its slopes, see `of_reeds`."""
    if column == "hardness" and known["hardness_gauge"].nunique() > 1:
        return False  # readings of two gauges are two quantities
    return bool(
        known["lot"].nunique() >= FEWEST_LOTS
        and known["supplier"].nunique() > 1
        and len(known) >= FEWEST_REEDS
        and known["success"].nunique() > 1
        and known[column].nunique() > 1
    )


def lots_measured(reeds: pd.DataFrame, column: str) -> float:
    """Return the share of lots of which a property of the cane was ever measured."""
    return float(reeds[column].notna().groupby(reeds["lot"], observed=True).any().mean())


def ask_for(between: pd.Series, of: Property, measured: float) -> str:
    """Say in a sentence which cane to ask a seller for; "" where nothing is to be asked for.

    Only the slope between lots, supplier in the model, can say so, and only where it is at least
    likely and most lots were measured (`lots_measured`, at least `MOST_LOTS`): else those that were
    not could turn it. What pieces of one lot show is no reason to buy another.
    """
    grade = graded(between["prob_matters"])
    if grade is Verdict.CANNOT_SAY or not of.much or measured < MOST_LOTS:
        return ""
    points, low, high = (100 * between[n] for n in ("points", "points_low", "points_high"))
    which, way = (of.much, "more") if points > 0 else (of.little, "fewer")
    least, most = sorted((abs(low), abs(high)))
    ends = f"{least:.0f} to {most:.0f}"
    if low < 0 < high:
        ends = f"{-low:.0f} fewer to {high:.0f} more"
    return (
        f"Ask for {which} cane ({grade.value}): of lots with {of.more} about {abs(points):.0f} "
        f"{way} in 100 turn out good ({ends})."
    )


def claim(
    slope: pd.Series, which: str, of: Property, more: str = "", grade: Verdict | None = None
) -> tuple[str, float, Verdict, float, bool]:
    """Claim what one slope says, of lots (`BETWEEN`) or of pieces of one lot (`WITHIN`).

    `more` is what else the claim names, after a comma; `grade` how sure it is, where its
    probability alone does not say.
    """
    who = f"{_WHO[which]} with {of.more}"
    way = "more" if slope["points"] > 0 else "fewer"
    grade = grade or graded(slope["prob_matters"])
    matter = bool(abs(slope["points"]) >= matters.SUCCESS)
    says = f"{who[:1].upper()}{who[1:]} have {way} good reeds{more}."
    return says, float(slope["prob_matters"]), grade, float(slope["points"]), matter
