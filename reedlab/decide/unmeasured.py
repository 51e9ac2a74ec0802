"""What if a piece was not measured: reeds left out beside readings filled in.

A model that asks about density leaves out every reed whose piece was not measured. Here the same
model is asked twice, once without those reeds and once with their readings filled in from
everything else that is known of them (`reedlab.mixed.missing`), and the answers are laid side by
side. The records cannot show whether pieces went unmeasured because of what a reading would have
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
from reedlab.mixed import missing
from reedlab.mixed.matrices import build
from reedlab.mixed.posterior import design_posterior
from reedlab.mixed.priors import Priors

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
        """``same``, ``otherwise sure`` (it is clear in one of them only), or ``changed``."""
        before, after = self.left_out.loc[self.column], self.filled_in.loc[self.column]
        if _direction(before) == _direction(after):
            return "same"
        stays = before["low"] <= after["mean"] <= before["high"]
        return "otherwise sure" if stays else "changed"

    @property
    def step(self) -> str:
        """The step that the slopes stand for, in words."""
        name, symbol = MEASURES[self.column]
        return " ".join(f"{self.unit:.2g} {symbol} more {name}".split())

    def sentence(self) -> str:
        """Say whether filling in changes the answer, and what to measure."""
        name = MEASURES[self.column][0]
        opening = {
            "same": f"leaves the answer on {name} as it is",
            "otherwise sure": f"changes how sure the answer on {name} is, not what it is",
            "changed": f"changes the answer on {name}",
        }[self.verdict]
        text = f"Filling in the pieces that were not measured {opening}: {self.step} goes with "
        text += f"{_times(self.left_out.loc[self.column])} the odds of a good reed "
        text += "where their reeds are left out, and with "
        text += f"{_times(self.filled_in.loc[self.column], '')} where they are filled in."
        never = len(self.dropped.lots)
        if never:
            lots = int(self.dropped.table["lots"].sum())
            text += f" {never} of {lots} lots were never measured, and nothing brings back how "
            text += "their pieces differ: measure ten pieces of every new lot."
        else:
            text += " Go on measuring some pieces of every lot, taken blindly."
        return text


def compare(
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
    unit, centre = float(measured[column].std()), float(measured[column].mean())
    scaled = {
        "left out": measured.assign(**{column: (measured[column] - centre) / unit}),
        "filled in": reeds.assign(**{column: (reeds[column] - centre) / unit}),
    }
    formulas = {
        name: "success ~ " + formula_of(frame, Spec(terms=(column,)))
        for name, frame in scaled.items()
    }
    design, recipe = build(formulas["left out"], scaled["left out"], "binomial")
    before = design_posterior(design, "binomial", Priors(), seed, draws, recipe)
    also = (*missing.ALSO, *(name for name in usable if name != column))
    after = missing.posterior(
        formulas["filled in"], scaled["filled in"], also=also, m=m, draws=draws, seed=seed
    )
    values = after.imputations.frame()
    values["value"] = centre + unit * values["value"]
    return Unmeasured(
        column,
        unit,
        before.summary(_LEVEL),
        after.summary(_LEVEL),
        after.information(_LEVEL),
        missing.dropped(reeds, column),
        values,
        reeds,
        after.notes,
    )


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


def _direction(row: pd.Series) -> int:
    return int(row["low"] > 0) - int(row["high"] < 0)


def _times(row: pd.Series, interval: str = f"{_LEVEL:.0%} interval ") -> str:
    middle, low, high = np.exp([row["mean"], row["low"], row["high"]])
    return f"{middle:.2f} times ({interval}{low:.2f} to {high:.2f})"
