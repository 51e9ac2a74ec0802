"""What if a piece was not measured: complete cases against multiple imputation.

A model that asks about density leaves out every reed whose piece was not measured. Here the same
model is asked twice, once without those reeds and once with their readings filled in from
everything else that is known of them (`reedlab.mixed.gaps.missing`), and the answers are compared.
The records cannot show whether pieces went unmeasured because of what a reading would have been
(missing not at random); if they did, neither answer holds. So what is filled in is moved by half a
standard deviation either way, to show how far the answer would go with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from reedlab.decide.answer import (
    Answer,
    CannotAnswer,
    RecordNext,
    Verdict,
    claims_frame,
    empty,
    question,
)
from reedlab.decide.evidence import gather, listed
from reedlab.decide.models import Spec, formula_of
from reedlab.errors import DecisionError
from reedlab.mixed.design.matrices import build
from reedlab.mixed.gaps import missing
from reedlab.mixed.gaps.pooling import DOUBTFUL, REFUSED
from reedlab.mixed.posterior.nested_laplace import design_posterior
from reedlab.mixed.posterior.priors import Priors

MEASURES = {  # what is asked about, in this order, with its unit
    "density_g_cm3": ("density", "g/cm³"),
    "hardness": ("hardness", ""),
    "gouge_centre_mm": ("thickness at the centre", "mm"),
}
_LEAST = 20
"""Measured reeds, and of each ending a quarter of it, below which nothing is asked."""
_MOVED = 0.5
"""Standard deviations of the first answer by which its mean has moved for the answer to change."""
_PILOT, _DRAWS = 10, 4000
"""Imputations that say how many are needed, and posterior draws of either answer."""
_SHIFT, _SHIFTED = 0.5, 4
"""Standard deviations of the readings that fillings are moved by, in so many imputations."""
_TEN = "Measure ten pieces of every new lot: no filling in shows how pieces of such a lot differ."
_SOME = "Go on measuring some pieces of every lot, taken at random."
_INFORMATION = ("mean", "sd", "missing", "mean_error", "low_error", "high_error")
_VALUES = ("piece", "column", "value", "measured", "imputation", "supplier", "lot")
_SUMMARY = ("mean", "sd", "low", "high")


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Unmeasured(Answer):
    """The answer about one measurement with unmeasured reeds left out and filled in.

    Attributes
    ----------
    table : pandas.DataFrame
        Odds ratios of a good reed, one row a fixed effect: `parameter`, `left_out` with
        `left_out_low` and `left_out_high`, `filled_in` with `filled_in_low` and `filled_in_high`;
        the measurement's for one step of `unit`.
    column : str
        What was measured.
    unit : float
        The step that its slopes stand for: one standard deviation of the measured reeds'.
    left_out, filled_in : pandas.DataFrame
        Posterior summaries (mean, sd, low, high; log odds), one row a parameter.
    information : pandas.DataFrame
        For the filled-in answer: fraction of missing information and Monte Carlo errors, see
        `FilledPosterior.information`.
    bench_shares : pandas.DataFrame
        What leaving reeds out does, one row a supplier, see `Dropped.table`.
    unmeasured_lots : pandas.DataFrame
        The lots without a single measured piece: supplier, lot, reeds.
    values : pandas.DataFrame
        What was read and what was filled in, see `Imputations.frame`.
    shifted : pandas.DataFrame
        The measurement's slope if pieces not measured read lower or higher than what is filled in:
        shift (in the measurement's unit), mean, sd, low, high (as in `filled_in`) and moved, see
        `FilledPosterior.delta_adjusted`.
    reeds : pandas.DataFrame
        The settled reeds that both answers start from.
    """

    table: pd.DataFrame = empty(
        "parameter",
        "left_out",
        "left_out_low",
        "left_out_high",
        "filled_in",
        "filled_in_low",
        "filled_in_high",
    )
    level: float = 0.9
    column: str = ""
    unit: float = float("nan")
    left_out: pd.DataFrame = empty(*_SUMMARY, index="parameter")
    filled_in: pd.DataFrame = empty(*_SUMMARY, index="parameter")
    information: pd.DataFrame = empty(*_INFORMATION, index="parameter")
    bench_shares: pd.DataFrame = empty(
        "supplier",
        "lots",
        "lots_measured",
        "reeds",
        "measured",
        "bench_share",
        "bench_share_kept",
        "kept",
        "kept_success",
        "kept_low",
        "kept_high",
        "left_out",
        "left_success",
        "left_low",
        "left_high",
    )
    unmeasured_lots: pd.DataFrame = empty("supplier", "lot", "reeds")
    values: pd.DataFrame = empty(*_VALUES)
    shifted: pd.DataFrame = empty("shift", *_SUMMARY, "moved")
    reeds: pd.DataFrame = empty()

    @property
    def changed(self) -> bool:
        """Whether filling in moves the slope, by at least half of its standard deviation."""
        if self.unanswered:
            return False
        before, after = self.left_out.loc[self.column], self.filled_in.loc[self.column]
        return bool(abs(after["mean"] - before["mean"]) >= _MOVED * before["sd"])

    @property
    def step(self) -> str:
        """The step that the slopes stand for, in words."""
        if self.unanswered:
            return ""
        return _step(self.column, self.unit)

    def _sentence(self) -> str:
        name = MEASURES[self.column][0]
        before, after = self.left_out.loc[self.column], self.filled_in.loc[self.column]
        does = f"changes the answer on {name}"
        if not self.changed:
            does = f"leaves the answer on {name} where it is"
        text = (
            f"Filling in the pieces that were not measured {does}, {_how_sure(before, after)}: "
            f"{self.step} goes with {_times(before, f'{self.level:.0%} interval ')} the odds of a "
            f"good reed where their reeds are left out, and with {_times(after)} where they are "
            "filled in."
        )
        share = self.information.loc[self.column, "missing"]
        if share > DOUBTFUL:
            text += f" {share:.0%} of what decides it is filled in, too much for an answer yet."
        if unmeasured := len(self.unmeasured_lots):
            lots = int(self.bench_shares["lots"].sum())
            text += f" {unmeasured} of {lots} lots were never measured."
        return f"{text} {self.record_next}"


@question(Unmeasured)
def unmeasured(
    bench: Any, column: str | None = None, *, level: float = 0.9, seed: int = 1
) -> Unmeasured:
    """Ask what a measurement has to do with success, unmeasured reeds left out and filled in.

    Parameters
    ----------
    bench : Bench
        The records.
    column : str, optional
        One of `MEASURES`; by default the first of them that enough reeds have.
    level : float
        Of the intervals.
    seed : int
        Of both posteriors.

    Returns
    -------
    Unmeasured
        Sure where the measurement's effect, reeds filled in, is clear of none; not where more than
        half of the information on it is missing. Unanswered where more than four fifths of it are,
        where too few reeds are measured, or none lacks its measurement.

    Raises
    ------
    DecisionError
        When `column` is not one of `MEASURES`.
    """
    if column is not None and column not in MEASURES:
        raise DecisionError(f"{column} is not measured here: choose one of {listed(MEASURES)}.")
    reeds = gather(bench).settled
    usable = [name for name in MEASURES if _enough(reeds, name)]
    asked = column or next(iter(usable), None)
    if asked is None or asked not in usable:
        raise CannotAnswer(
            "Too few settled reeds come from a piece measured (all by one gauge) to ask what "
            f"{MEASURES[asked][0] if asked else 'measuring'} has to do with success.",
            RecordNext(
                "Note density or hardness of ten pieces of every new lot, until at least "
                f"{_LEAST} reeds of two lots, good ones and others, are measured."
            ),
        )
    measured = reeds[reeds[asked].notna()].reset_index(drop=True)
    if len(measured) == len(reeds):
        raise CannotAnswer(
            f"The piece of every settled reed has its {MEASURES[asked][0]}: nothing is missing."
        )
    unit = float(measured[asked].std())
    formulas = [
        "success ~ " + formula_of(frame, Spec(terms=(asked,), changing=False))
        for frame in (measured, reeds)
    ]
    design, recipe = build(formulas[0], measured, "binomial")
    before = design_posterior(design, "binomial", Priors(), seed, _DRAWS, recipe)
    also = (*missing.ALSO, *(name for name in usable if name != asked))
    after = missing.fit_filled(
        formulas[1],
        reeds,
        "binomial",
        also=also,
        m=_PILOT,
        draws=_DRAWS,
        enough_for=asked,
        seed=seed,
    )
    lacking = float(after.missing[asked])
    if lacking > REFUSED:
        raise CannotAnswer(
            f"{lacking:.0%} of what would decide what {MEASURES[asked][0]} has to do with success "
            "is missing: too few pieces have it.",
            RecordNext(_TEN),
        )
    shifted = after.delta_adjusted(asked, (-_SHIFT, _SHIFT), m=_SHIFTED, level=level)
    shifted = _per_step(shifted.set_index("parameter"), asked, unit).loc[[asked]]
    left_out, filled_in, information = (
        _per_step(table, asked, unit).rename_axis("parameter")
        for table in (
            before.summary(level),
            pd.DataFrame(after.summary(level)[[*_SUMMARY]]),
            after.information(level),
        )
    )
    # The few imputations that are shifted say by how much the answer moves, all of them from where.
    from_here = filled_in.loc[asked, "mean"] - float(shifted.query("shift == 0")["mean"].iloc[0])
    shifted[["mean", "low", "high"]] += from_here
    dropped = missing.dropped(reeds, asked)
    return Unmeasured(
        table=_ratios(left_out, filled_in),
        level=level,
        claims=claims_frame(
            [
                _claim(asked, filled_in, after.draws()[asked], "filled in", lacking),
                _claim(asked, left_out, before.draws()[asked], "left out"),
            ]
        ),
        notes=(
            dropped.sentence().replace(asked, MEASURES[asked][0]),
            _if_shifted(asked, unit, shifted),
            *(note for note in after.notes if note not in after.doubts),
        ),
        record_next=RecordNext(_TEN if len(dropped.lots) else _SOME),
        column=asked,
        unit=unit,
        left_out=left_out,
        filled_in=filled_in,
        information=information,
        bench_shares=dropped.table,
        unmeasured_lots=dropped.lots,
        values=after.imputations.frame(),
        shifted=shifted.reset_index(drop=True),
        reeds=reeds,
    )


def _claim(
    column: str, summary: pd.DataFrame, draws: pd.Series, unmeasured: str, missing: float = 0.0
) -> tuple[str, float, Verdict, float, bool]:
    """Claim the sign of the measurement's slope, as sure as its interval is clear of none.

    Not where too much of the information on it is missing.
    """
    row, name = summary.loc[column], MEASURES[column][0]
    more, above = row["mean"] > 0, float((draws > 0).mean())
    return (
        f"more {name} goes with {'more' if more else 'fewer'} good reeds, unmeasured {unmeasured}",
        above if more else 1 - above,
        Verdict.SURE if _clear(row) and missing <= DOUBTFUL else Verdict.CANNOT_SAY,
        float(np.exp(row["mean"])),
        True,
    )


def _clear(row: pd.Series) -> bool:
    """Whether an interval leaves no effect out."""
    return bool(row["low"] > 0 or row["high"] < 0)


def _how_sure(before: pd.Series, after: pd.Series) -> str:
    """Say whether each answer is clear of no effect."""
    if _clear(before) != _clear(after):
        return f"but which way it goes is {'now' if _clear(after) else 'no longer'} clear"
    if _clear(after):
        return "and which way it goes is clear with them and without"
    return "and which way it goes is clear neither with them nor without"


def _step(column: str, unit: float) -> str:
    name, symbol = MEASURES[column]
    return " ".join(f"{unit:.2g} {symbol} more {name}".split())


def _if_shifted(column: str, unit: float, shifted: pd.DataFrame) -> str:
    """Say how far the slope goes if unread pieces are not like what is filled in for them."""
    name, symbol = MEASURES[column]
    low, _, high = np.exp(shifted["mean"])
    by = f"{_SHIFT * unit:.2g} {symbol}".strip()
    return (
        "The records cannot show whether pieces went unmeasured because of what they would have "
        f"read: if they had {by} less {name} than what is filled in, {_step(column, unit)} would "
        f"go with {low:.2f} times the odds of a good reed, and with {high:.2f} times if they had "
        "as much more."
    )


def _ratios(left_out: pd.DataFrame, filled_in: pd.DataFrame) -> pd.DataFrame:
    """Put both answers' fixed effects side by side as odds ratios; see `Unmeasured.table`."""
    names = [
        name
        for name in filled_in.index.intersection(left_out.index, sort=False)
        if name != "Intercept" and not name.startswith(("sd ", "cor "))
    ]
    parts = {"left_out": left_out, "filled_in": filled_in}
    ratios = {
        f"{part}{end}": np.exp(summary.loc[names, column])
        for part, summary in parts.items()
        for end, column in (("", "mean"), ("_low", "low"), ("_high", "high"))
    }
    return pd.DataFrame(ratios).rename_axis("parameter").reset_index()


def _per_step(table: pd.DataFrame, column: str, unit: float) -> pd.DataFrame:
    """Give the measurement's slope for a step of one unit; shares of information stay."""
    out, scaled = table.copy(), table.columns.drop(["missing", "shift", "moved"], errors="ignore")
    out.loc[column, scaled] *= unit
    if "shift" in out:
        out["shift"] *= unit
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


def _times(row: pd.Series, interval: str = "") -> str:
    middle, low, high = np.exp([row["mean"], row["low"], row["high"]])
    return f"{middle:.2f} times ({interval}{low:.2f} to {high:.2f})"
