"""What if a piece was not measured: reeds left out beside readings filled in.

A model that asks about density leaves out every reed whose piece was not measured. Here the same
model is asked twice, once without those reeds and once with their readings filled in from
everything else that is known of them (`reedlab.mixed.gaps.missing`), and the answers are laid side
by side. The records cannot show whether pieces went unmeasured because of what a reading would have
been; if they did, neither answer holds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from reedlab.decide.evidence import gather, listed
from reedlab.decide.models import Spec, formula_of
from reedlab.errors import DecisionError
from reedlab.mixed.design.matrices import build
from reedlab.mixed.gaps import missing
from reedlab.mixed.posterior.nested_laplace import design_posterior
from reedlab.mixed.posterior.priors import Priors

MEASURES = {  # what is asked about, in this order, with its unit
    "density_g_cm3": ("density", "g/cm³"),
    "hardness": ("hardness", ""),
    "gouge_centre_mm": ("thickness at the centre", "mm"),
}
_LEAST = 20
"""Measured reeds, and of each ending a quarter of it, below which nothing is asked."""
_LEVEL = 0.95


@dataclass(frozen=True)
class Unmeasured:
    """The answer about one measurement with unmeasured reeds left out and filled in.

    Attributes
    ----------
    column, unit
        What was measured, and the step (one sd of the measured reeds') that the slopes stand for.
    left_out, filled_in
        Posterior summaries (mean, sd, low, high; log odds), one row a parameter.
    information
        For the filled-in answer: fraction of missing information and Monte Carlo errors, see
        `FilledPosterior.information`.
    dropped
        What leaving reeds out does, by supplier.
    values
        What was read and what was filled in, see `Imputations.frame`.
    reeds
        The settled reeds that both answers start from.
    notes
        What a reader must know, one sentence each.
    """

    column: str
    unit: float
    left_out: pd.DataFrame
    filled_in: pd.DataFrame
    information: pd.DataFrame
    dropped: missing.Dropped
    values: pd.DataFrame
    reeds: pd.DataFrame
    notes: tuple[str, ...]

    @property
    def verdict(self) -> str:
        """``same`` while the slope moves by less than half of its sd, else ``changed``."""
        before, after = self.left_out.loc[self.column], self.filled_in.loc[self.column]
        return "same" if abs(after["mean"] - before["mean"]) < 0.5 * before["sd"] else "changed"

    @property
    def step(self) -> str:
        """The step that the slopes stand for, in words."""
        name, symbol = MEASURES[self.column]
        return " ".join(f"{self.unit:.2g} {symbol} more {name}".split())

    def sentence(self) -> str:
        """Say whether filling in changes the answer, and what to measure."""
        name, after = MEASURES[self.column][0], self.filled_in.loc[self.column]
        ratio = after["sd"] / self.left_out.loc[self.column, "sd"]
        sure = "surer than" if ratio < 0.8 else "less sure than" if ratio > 1.25 else "as sure as"
        does, where = ("leaves", " where it is") if self.verdict == "same" else ("changes", "")
        text = (
            f"Filling in the pieces that were not measured {does} the answer on {name}{where}, "
            f"{sure} before: {self.step} goes with {_times(self.left_out.loc[self.column])} the "
            "odds of a good reed where their reeds are left out, and with "
            f"{_times(after, '')} where they are filled in"
        )
        if after["low"] < 0 < after["high"]:
            text += ", so that the records cannot tell for sure which way it goes"
        text += "."
        never = len(self.dropped.lots)
        if never:
            lots = int(self.dropped.table["lots"].sum())
            text += f" {never} of {lots} lots were never measured, and nothing brings back how "
            text += "their pieces differ: measure ten pieces of every new lot."
        else:
            text += " Go on measuring some pieces of every lot, taken blindly."
        return text


def unmeasured(
    bench: Any, column: str | None = None, m: int = 40, seed: int = 1, draws: int = 4000
) -> Unmeasured:
    """Ask what a measurement has to do with success, unmeasured reeds left out and filled in.

    Parameters
    ----------
    bench
        The records.
    column
        One of `MEASURES`; the first of them that enough reeds have, unless told.
    m
        Number of imputations.
    seed, draws
        Of both posteriors.

    Returns
    -------
    Unmeasured

    Raises
    ------
    DecisionError
        When too few reeds are measured, or none lacks its measurement.
    """
    reeds = gather(bench).reeds
    usable = [name for name in MEASURES if _enough(reeds, name)]
    if column is None and not usable:
        raise DecisionError(
            "Too few settled reeds come from a measured piece to ask what measuring has to do with "
            f"success (at least {_LEAST} of two lots, good ones and others): note density or "
            "hardness of ten pieces of every new lot, and ask again."
        )
    column = column or usable[0]
    if column not in MEASURES or column not in usable:
        raise DecisionError(
            f"{column} cannot be asked about here: choose {listed(usable) or 'none yet'}."
        )
    measured = reeds[reeds[column].notna()].reset_index(drop=True)
    if len(measured) == len(reeds):
        raise DecisionError(
            f"The piece of every settled reed has its {MEASURES[column][0]}: nothing is missing, "
            "and nothing needs to be filled in."
        )
    unit = float(measured[column].std())
    formulas = [
        "success ~ " + formula_of(frame, Spec(terms=(column,))) for frame in (measured, reeds)
    ]
    design, recipe = build(formulas[0], measured, "binomial")
    before = design_posterior(design, "binomial", Priors(), seed, draws, recipe)
    also = (*missing.ALSO, *(name for name in usable if name != column))
    after = missing.posterior(formulas[1], reeds, also=also, m=m, draws=draws, seed=seed)
    return Unmeasured(
        column,
        unit,
        _per_step(before.summary(_LEVEL), column, unit),
        _per_step(after.summary(_LEVEL), column, unit),
        _per_step(after.information(_LEVEL), column, unit),
        missing.dropped(reeds, column),
        after.imputations.frame(),
        reeds,
        after.notes,
    )


def _per_step(table: pd.DataFrame, column: str, unit: float) -> pd.DataFrame:
    """Give the measurement's slope for a step of one unit; shares of information stay."""
    out, scaled = table.copy(), table.columns.drop("missing", errors="ignore")
    out.loc[column, scaled] *= unit
    return out


def _enough(reeds: pd.DataFrame, column: str) -> bool:
    known = reeds[reeds[column].notna()]
    if column == "hardness" and known["hardness_gauge"].nunique() > 1:
        return False  # readings of two gauges are two quantities
    ends = known["success"].value_counts().reindex([0.0, 1.0], fill_value=0)
    return bool(
        len(known) >= _LEAST
        and ends.min() >= _LEAST // 4
        and known["lot"].nunique() > 1
        and known[column].nunique() > 1
    )


def _times(row: pd.Series, interval: str = f"{_LEVEL:.0%} interval ") -> str:
    middle, low, high = np.exp([row["mean"], row["low"], row["high"]])
    return f"{middle:.2f} times ({interval}{low:.2f} to {high:.2f})"
