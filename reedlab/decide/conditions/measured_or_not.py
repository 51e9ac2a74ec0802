"""What if a piece was not measured: complete cases against multiple imputation.

A model that asks about density leaves out every reed whose piece was not measured. Here the same
model is asked twice, once without those reeds and once with their readings filled in from
everything else that is known of them (`reedlab.mixed.gaps.missing`), and the answers are compared.
The records cannot show whether pieces went unmeasured because of what a reading would have been
(missing not at random); if they did, neither answer holds. So what is filled in is moved by half a
standard deviation either way, to show how far the answer would go with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

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
from reedlab.decide.draws import stacked
from reedlab.decide.evidence import as_factors, gather, listed, some_lots
from reedlab.decide.shared_models import cane_slopes
from reedlab.decide.shared_models.cane_slopes import BETWEEN, PROPERTIES, SLOPES, WITHIN, Property
from reedlab.decide.shared_models.models import Spec, formula_of, success_posterior
from reedlab.errors import DecisionError
from reedlab.mixed.gaps import missing
from reedlab.mixed.gaps.pooling import (
    DOUBTFUL,
    REFUSED,
    FilledPosterior,
    jackknife,
    missing_range,
)

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
_LEFT_OUT, _FILLED_IN = "left out", "filled in"
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
        the measurement's, between lots and within them, for one step of `unit`.
    slopes : pandas.DataFrame
        `unmeasured` (left out, filled in), `which` (between, within) and the columns of
        `cane_slopes.slopes`.
    column : str
        What was measured.
    unit : float
        The step that its slopes are for, see `cane_slopes.PROPERTIES`.
    formula : str
        Of the model with reeds filled in; the other leaves out of it what measured reeds alone
        cannot show.
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
        The slope within lots if pieces not measured read lower or higher than what is filled in:
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
    slopes: pd.DataFrame = empty("unmeasured", "which", *SLOPES)
    column: str = ""
    unit: float = float("nan")
    formula: str = ""
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
        """Whether filling in moves a slope, by at least half of its standard deviation."""
        if self.unanswered:
            return False
        rows = list(cane_slopes.terms(self.column))
        before, after = self.left_out.loc[rows], self.filled_in.loc[rows]
        return bool(((after["mean"] - before["mean"]).abs() >= _MOVED * before["sd"]).any())

    def _sentence(self) -> str:
        of = PROPERTIES[self.column]
        does = "changes the answer" if self.changed else "leaves the answer where it is"
        text = [f"Filling in the pieces that were not measured {does} on {of.says}."]
        slopes = self.slopes.set_index(["which", "unmeasured"])
        for which, who in ((WITHIN, f"Of one lot, pieces with {of.more}"),
                           (BETWEEN, f"Lots with {of.more}")):  # fmt: skip
            left, filled = (slopes.loc[(which, how)] for how in (_LEFT_OUT, _FILLED_IN))
            interval = f"{self.level:.0%} interval " if which == WITHIN else ""
            text.append(
                f"{who}: {_in_100(left, interval)} good reeds in 100 where the unmeasured are left "
                f"out, {_in_100(filled)} where they are filled in."
            )
        first = str(self.claims["statement"].iloc[0])
        text.append(_SAYS[self.verdict] + f"{first[:1].lower()}{first[1:]}")
        share = self.information.loc[list(cane_slopes.terms(self.column)), "missing"].max()
        if share > DOUBTFUL:
            text.append(f"{share:.0%} of what decides one of them is filled in, too much to say.")
        elif self.verdict is Verdict.CANNOT_SAY:
            most = missing_range(share, int(self.values["imputation"].max()))[1]
            if most > DOUBTFUL:
                text.append(f"Up to {most:.0%} of what decides one of them may be filled in.")
        if unmeasured := len(self.unmeasured_lots):
            lots = int(self.bench_shares["lots"].sum())
            text.append(f"{unmeasured} of {lots} lots were never measured.")
        return " ".join(text)


_SAYS = {
    Verdict.SURE: "Sure: ",
    Verdict.LIKELY: "Likely: ",
    Verdict.CANNOT_SAY: "Cannot say yet whether either matters. The best guess: ",
}


def _in_100(slope: pd.Series, interval: str = "") -> str:
    ends = [
        f"{100 * slope[name]:+.0f}".replace("-", "−").replace("+0", "0").replace("−0", "0")
        for name in ("points", "points_low", "points_high")
    ]
    return f"{ends[0]} ({interval}{ends[1]} to {ends[2]})"


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
        One of `cane_slopes.PROPERTIES`; by default the first of them that enough reeds have.
    level : float
        Of the intervals.
    seed : int
        Of both posteriors.

    Returns
    -------
    Unmeasured
        As sure as that one of the two slopes, reeds filled in, has its direction and is beyond the
        smallest size that matters, two Monte Carlo errors of filling in allowed for; a slope of
        which more than half of the information may be missing cannot say. Of more than 5,000 reeds
        whole lots are drawn at random. Unanswered where more than four fifths of the information
        is missing of both, where too few reeds are measured, or none lacks its measurement.

    Raises
    ------
    DecisionError
        When `column` is not one of `cane_slopes.PROPERTIES`.
    """
    if column is not None and column not in PROPERTIES:
        raise DecisionError(f"{column} is not measured here: choose one of {listed(PROPERTIES)}.")
    everyone = as_factors(gather(bench).settled, "season")
    reeds = some_lots(everyone, seed)
    usable = [name for name in PROPERTIES if _enough(reeds, name)]
    asked = column or next(iter(usable), None)
    if asked is None or asked not in usable:
        raise CannotAnswer(
            "Too few settled reeds come from a piece measured (all by one gauge) to ask what "
            f"{PROPERTIES[asked].says if asked else 'measuring'} has to do with success.",
            RecordNext(
                "Note density or hardness of ten pieces of every new lot, until at least "
                f"{_LEAST} reeds of two lots, good ones and others, are measured."
            ),
        )
    measured = reeds[reeds[asked].notna()].reset_index(drop=True)
    if len(measured) == len(reeds):
        raise CannotAnswer(
            f"The piece of every settled reed has its {PROPERTIES[asked].says}: nothing is missing."
        )
    of, terms = PROPERTIES[asked], cane_slopes.terms(asked)
    share = float(reeds["success"].mean())
    grades = partial(_grades, column=asked, step=of.step, share=share, level=level)
    before = success_posterior(measured, Spec(terms=terms), seed, _DRAWS)
    also = (*missing.ALSO, *(name for name in usable if name != asked))
    alike = set(measured["maker"]) == set(reeds["maker"])  # the same terms for each maker's years
    formula = "success ~ " + formula_of(reeds, Spec(terms=terms, changing=alike))
    after = missing.fit_filled(
        formula, reeds, "binomial", also=also, m=_PILOT, priors=before.priors if alike else None,
        draws=_DRAWS, enough_for=terms, seed=seed,
        settled=lambda post: all(weak is strong for weak, strong in grades(post)),
    )  # fmt: skip
    lacking = after.missing[list(terms)]
    if lacking.min() > REFUSED:
        raise CannotAnswer(
            f"{lacking.min():.0%} of what would decide what {PROPERTIES[asked].says} has to do "
            "with success is missing: too few pieces have it.",
            RecordNext(_TEN, about=About.MEASURING),
        )
    spread = float(measured[asked].std())
    shifted = after.delta_adjusted(asked, (-_SHIFT, _SHIFT), m=_SHIFTED, level=level)
    shifted = _per_step(shifted.set_index("parameter"), terms, of.step).loc[[terms[1]]]
    shifted["shift"] *= spread
    left_out, filled_in, information = (
        _per_step(table, terms, of.step).rename_axis("parameter")
        for table in (
            before.summary(level),
            pd.DataFrame(after.summary(level)[[*_SUMMARY]]),
            after.information(level),
        )
    )
    # The few imputations that are shifted say by how much the answer moves, all of them from where.
    from_here = filled_in.loc[terms[1], "mean"] - float(shifted.query("shift == 0")["mean"].iloc[0])
    shifted[["mean", "low", "high"]] += from_here
    slopes = {
        how: cane_slopes.slopes(draws, asked, of.step, float(rows["success"].mean()), level)
        for how, draws, rows in (
            (_LEFT_OUT, before.draws(), measured),
            (_FILLED_IN, after.draws(), reeds),
        )
    }
    dropped = missing.dropped(everyone, asked)
    some = () if len(reeds) == len(everyone) else (
        f"Both answers take {len(reeds):,} of the {len(everyone):,} settled reeds, in whole lots "
        "drawn at random: the ranges would be narrower with all.",
    )  # fmt: skip
    return Unmeasured(
        table=_ratios(left_out, filled_in),
        level=level,
        claims=_claims(slopes, of, [weak for weak, _ in grades(after)]),
        notes=(
            *some,
            dropped.sentence().replace(asked, PROPERTIES[asked].says),
            _if_shifted(of, spread, shifted),
            *(note for note in after.notes if note not in after.doubts),
        ),
        record_next=RecordNext(
            _TEN if len(dropped.lots) else _SOME,
            about=About.MEASURING,
            more=bool(len(dropped.lots)),
        ),
        slopes=stacked(
            {how: table.rename_axis("which").reset_index() for how, table in slopes.items()},
            "unmeasured",
        ),
        column=asked,
        unit=of.step,
        formula=formula,
        left_out=left_out,
        filled_in=filled_in,
        information=information,
        bench_shares=dropped.table,
        unmeasured_lots=dropped.lots,
        values=after.imputations.frame(),
        shifted=shifted.reset_index(drop=True),
        reeds=reeds,
    )


def _claims(slopes: dict[str, pd.DataFrame], of: Property, sure: Sequence[Verdict]) -> pd.DataFrame:
    """Claim both slopes, filled in as sure as given, the surest first, then with some left out."""
    filled, left = (
        [
            cane_slopes.claim(slopes[how].loc[which], which, of, f", unmeasured {how}", grade)
            for which, grade in zip((BETWEEN, WITHIN), grades)
        ]
        for how, grades in ((_FILLED_IN, sure), (_LEFT_OUT, (None, None)))
    )
    order = list(Verdict)
    filled.sort(key=lambda claim: (order.index(claim[2]), -claim[1]))
    return claims_frame([*filled, *left])


def _grades(
    post: FilledPosterior, column: str, step: float, share: float, level: float
) -> list[tuple[Verdict, Verdict]]:
    """Grade the slopes between lots and within by the least and the most that imputations allow.

    Two Monte Carlo errors of the probability, and the 95 % interval of what is missing.
    """
    draws = post.draws()
    of = np.arange(len(draws)) % post.m  # each row's imputation
    probability, *without = (
        cane_slopes.slopes(some, column, step, share, level)["prob_matters"].to_numpy()
        for some in (draws, *(draws[of != i] for i in range(post.m)))
    )
    by = 2.0 * jackknife(without)
    ends = [missing_range(lost, post.m) for lost in post.missing[list(cane_slopes.terms(column))]]
    return [
        (
            graded(p - e) if high <= DOUBTFUL else Verdict.CANNOT_SAY,
            graded(p + e) if low <= DOUBTFUL else Verdict.CANNOT_SAY,
        )
        for p, e, (low, high) in zip(probability, by, ends)
    ]


def _if_shifted(of: Property, spread: float, shifted: pd.DataFrame) -> str:
    """Say how far the slope goes if unread pieces are not like what is filled in for them."""
    low, _, high = np.exp(shifted["mean"])
    by = f"{_SHIFT * spread:.2g} {of.unit}".strip()
    return (
        "The records cannot show whether pieces went unmeasured because of what they would have "
        f"read: if they had {by} less {of.says} than what is filled in, of one lot {of.more} would "
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


def _per_step(table: pd.DataFrame, terms: tuple[str, str], unit: float) -> pd.DataFrame:
    """Give the measurement's slopes for a step of one unit; shares of information stay."""
    out, scaled = table.copy(), table.columns.drop(["missing", "shift", "moved"], errors="ignore")
    out.loc[list(terms), scaled] *= unit
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
