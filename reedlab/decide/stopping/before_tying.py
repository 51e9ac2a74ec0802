"""Which pieces to pass over before tying.

A piece that is passed over costs its cane; a piece that is tied and fails costs a rough scrape,
thread, sometimes a staple, and most of an hour. Measuring pays only if it distinguishes the two
well enough to cover the minutes that it takes. So the rule to beat is to measure nothing.

Slopes are within lots: whether a lot is good is the supplier's question, and no reason to sort the
pieces inside it. Density and hardness therefore count as differences from the mean of their own
lot, which the maker knows once a few pieces are measured.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from reedlab.decide import cane_slopes
from reedlab.decide.answer import (
    About,
    CannotAnswer,
    RecordNext,
    Verdict,
    claims_frame,
    empty,
    graded,
    question,
)
from reedlab.decide.cane_slopes import PROPERTIES, SLOPES, WITHIN
from reedlab.decide.costs import Rates
from reedlab.decide.draws import stacked
from reedlab.decide.evidence import before_tying, count, gather, listed, pieces_a_year
from reedlab.decide.stopping.pieces import MEASURES, OF_CANE, measured_reeds, sorted_before
from reedlab.decide.stopping.rules import (
    Measure,
    PredictedSuccess,
    Rule,
    Windows,
    fit_prediction,
)
from reedlab.decide.stopping.stakes import Stakes, by_outcome
from reedlab.decide.stopping.tryout import (
    MANY_LOTS,
    NOTICE,
    Stopping,
    lacking,
    lots_needed,
    try_rules,
    what_to_record,
    whole,
)
from reedlab.decide.worth import mean_price, worth


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class PassingOver(Stopping):
    """Whether to pass over pieces before tying, and which; see `Stopping` for the rest of it.

    Attributes
    ----------
    table : pandas.DataFrame
        One row a measure: ``measured`` (reeds), ``per`` (the step, in its ``unit``: that of
        `cane_slopes.PROPERTIES`, else one standard deviation within lots), ``odds_ratio`` (of a
        lot's reeds) with ``low`` and ``high`` (as in `slopes`, else Wald's of the measure alone),
        ``could_save`` (for 100 pieces, by the best rule on that measure alone if its
        slope were at the end of its interval that helps most), ``prob_saves`` (that such a rule
        saves enough to be noticed) and ``expected`` (what it saves for 100 pieces if the slope were
        known and the rule used only where it pays).
    slopes : pandas.DataFrame
        Of each property of the cane, `property`, `which` (between lots, within them) and the
        columns of `cane_slopes.slopes`, supplier and lot in the model: the numbers of every page.
    sorted_before : pandas.DataFrame
        One row a measure: ``pieces``, ``tied``, ``sd_measured``, ``sd_tied`` and their ``ratio``.
        Under 1, earlier sorting has narrowed what the records can show (range restriction).
    currency : str
        Of the stakes and of every saving.
    """

    table: pd.DataFrame = empty(
        "measure", "measured", "per", "unit", "odds_ratio", "low", "high", "could_save",
        "prob_saves", "expected",
    )  # fmt: skip
    slopes: pd.DataFrame = empty("property", "which", *SLOPES)
    sorted_before: pd.DataFrame = empty(
        "measure", "pieces", "tied", "sd_measured", "sd_tied", "ratio"
    )
    currency: str = ""

    def _sentence(self) -> str:
        return " ".join(filter(None, (self._found(), self.worth)))

    def _found(self) -> str:
        rests_on, best = _counted(self.reeds, self.lots), self.best
        if self.follow and best is not None:
            likely = "Likely worth it: pass" if self.verdict is Verdict.LIKELY else "Pass"
            return (
                f"{likely} over pieces unless {self.rules['says'].iloc[0]}: on lots not seen "
                f"before that saved {whole(best.saving)} {self.currency} for 100 pieces "
                f"({self.level:.0%} interval {whole(best.low)} to {whole(best.high)}), measuring "
                f"included; from {rests_on}."
            )
        most = self.table.loc[self.table["could_save"].idxmax()]
        if self.verdict is not Verdict.CANNOT_SAY:
            likely = "likely " if self.verdict is Verdict.LIKELY else ""
            return (
                f"Tie every piece and spend no time measuring for this: {likely}nothing measured "
                "distinguishes good pieces from bad well enough to pay for the minutes it takes. "
                f"From {rests_on}, the best that a rule could save is {most['could_save']:.0f} "
                f"{self.currency} for 100 pieces."
            )
        unsure = f"Go on tying every piece: {rests_on} cannot say which to pass over."
        if best is None:
            return (
                f"{unsure} No rule is seen to pay, but one by {_short(most['measure'])} might save "
                f"up to {most['could_save']:.0f} {self.currency} for 100 pieces."
            )
        return f"{unsure} {best.in_words(self.currency, 'pieces', self.level)}"


def _counted(reeds: int, lots: int) -> str:
    return f"{count(reeds, 'measured reed')} of {count(lots, 'lot')}"


def _short(measure: str) -> str:
    return measure.split(" (")[0]


@question(PassingOver)
def passing_over(bench: Any, *, level: float = 0.9, seed: int = 1) -> PassingOver:
    """Find which pieces to pass over before tying, if any.

    Every rule is learnt on some lots and judged on held-out ones, in money: what a passed-over
    failure would have cost, less what a passed-over good reed would have brought, less the time
    that measuring takes. A saleable reed is worth what `reedlab.decide.worth` says.

    Parameters
    ----------
    bench : Bench
    level : float
        Of the intervals.
    seed : int
        Of the folds and the resampling.

    Returns
    -------
    PassingOver
        As sure as that a rule saves enough to be noticed on new lots or, where none is found, that
        none could. Unanswered where too few settled reeds were made from measured pieces.

    Notes
    -----
    Pieces that were measured and never tied have no outcome. If they were sorted out by what is
    measured here, the records show less than measuring could do; `PassingOver.sorted_before` says
    how much narrower the tied pieces are.

    References
    ----------
    Vickers and Elkin (2006), Med Decis Making 26:565-574 (net benefit, decision curves).
    """
    cases = measured_reeds(bench)
    if cases.empty:
        raise CannotAnswer(
            "No settled reed was made from a measured piece.",
            RecordNext(
                "Write the piece's label beside the reed, and its density or both sides of its "
                "gouge in the table of pieces."
            ),
        )
    spread = _within_lots(cases, MEASURES).std()
    measures = tuple(
        m for m in MEASURES if cases[m.column].notna().mean() >= 0.5 and spread[m.column] > 1e-9
    )
    narrowed = sorted_before(bench, cases, measures)
    before, costs_notes = before_tying(bench.losses, bench.tables["lots"], bench.settings.currency)
    shared = {
        "sorted_before": narrowed,
        "reeds": len(cases),
        "lots": cases["lot"].nunique(),
        "currency": bench.settings.currency,
        "level": level,
        "notes": (*_notes(cases, measures, narrowed), *costs_notes),
    }
    lacks = lacking(cases, "scrape_min", measures)
    if lacks is not None:
        rests_on = _counted(len(cases), cases["lot"].nunique())
        return PassingOver(
            unanswered=f"Go on tying every piece: {rests_on} {lacks.value} to say which to pass "
            "over.",
            record_next=RecordNext(
                what_to_record(
                    lacks,
                    "Write down density, hardness, both sides of the gouge and straightness of at "
                    f"least ten pieces of each of the next {lots_needed(cases['lot'].nunique())} "
                    "lots before tying, the poor ones too.",
                )
            ),
            lacks=lacks,
            **shared,
        )
    weights = bench.reeds["supplier"].astype(object).value_counts()
    price = mean_price(bench.reeds)

    def counted(rows: pd.DataFrame) -> tuple[Stakes, str]:
        found = money_at_stake(rows, Rates.of(bench.settings), before, weights)
        of_reed = worth(price, found.value, bench.settings.currency)
        return replace(found, value=of_reed.value), of_reed.says

    stakes, worth_says = counted(cases)
    slopes = slopes_within_lots(cases, measures, stakes, level)
    of_cane = _of_cane(bench, measures, level, seed)
    rules: dict[str, Rule] = {
        "predicted success": PredictedSuccess(measures),
        "windows": Windows(measures),
        **{f"{m.says} alone": Windows((m,)) for m in measures},
    }
    tried = try_rules(cases, rules, lambda rows: counted(rows)[0], level=level, seed=seed)
    most, notice = slopes.loc[slopes["could_save"].idxmax()], 100 * NOTICE * stakes.if_bad
    verdict, prob = tried.verdict, tried.prob
    if tried.best is None:
        prob = float((1 - slopes["prob_saves"]).min())
        verdict = graded(prob)
    a_year = pieces_a_year(bench.reeds) / 100
    following = None
    if verdict is not Verdict.CANNOT_SAY and not tried.follow:
        following = RecordNext(
            "Tie every piece; measure none of them to sort them.", about=About.MEASURING, more=False
        )
    elif verdict is Verdict.CANNOT_SAY and tried.best is None:
        following = RecordNext(
            f"Measure {_short(most['measure'])} on some more lots, the poor pieces too.",
            float(most["expected"]) * a_year,
            bench.settings.currency,
            About.MEASURING,
        )
    elif verdict is Verdict.CANNOT_SAY and tried.best is not None:
        following = RecordNext(
            tried.best.record("the measures of every piece, the poor ones too,"),
            tried.best.regret * a_year,
            bench.settings.currency,
            About.MEASURING,
            more=tried.best.more_lots <= MANY_LOTS,
        )
    size = most["could_save"] if tried.best is None else tried.best.saving
    says = "no rule for passing over pieces saves enough to be noticed"
    if tried.follow:
        says = "passing over pieces by the best rule saves money on new lots"
    return PassingOver(
        table=_one_number(slopes, measures, of_cane),
        slopes=stacked(
            {PROPERTIES[c].more: f.rename_axis("which").reset_index() for c, f in of_cane.items()},
            "property",
        )
        if of_cane
        else pd.DataFrame(columns=["property", "which", *SLOPES]),
        claims=claims_frame([(says, prob, verdict, size, bool(size > notice))]),
        record_next=following,
        follow=tried.follow,
        rules=tried.rules,
        by_lot=tried.by_lot,
        best=tried.best,
        stakes=stakes,
        worth=worth_says,
        **shared,
    )


def _of_cane(
    bench: Any, measures: tuple[Measure, ...], level: float, seed: int
) -> dict[str, pd.DataFrame]:
    """Both slopes of each property that a measure is of, by the property's column."""
    reeds, known = gather(bench).settled, [OF_CANE.get(m.column) for m in measures]
    found = {c: cane_slopes.of_reeds(reeds, c, level, seed) for c in known if c}
    return {column: slopes for column, slopes in found.items() if len(slopes)}


def _one_number(
    table: pd.DataFrame, measures: tuple[Measure, ...], of_cane: dict[str, pd.DataFrame]
) -> pd.DataFrame:
    """Give a property's slope within lots as it is on every page."""
    table = table.set_index("measure")
    for measure in measures:
        if (column := OF_CANE.get(measure.column, "")) in of_cane:
            within = of_cane[column].loc[WITHIN]
            table.loc[measure.says, "per"] = PROPERTIES[column].step
            table.loc[measure.says, ["odds_ratio", "low", "high"]] = within[
                ["odds_ratio", "low", "high"]
            ].to_numpy(float)
    return table.reset_index()


def money_at_stake(
    cases: pd.DataFrame,
    rates: Rates,
    before: pd.DataFrame,
    weights: pd.Series,
) -> Stakes:
    """Work out what tying one of these pieces gains or loses.

    Parameters
    ----------
    cases : pandas.DataFrame
        ``good`` and ``scrape_min``.
    rates : Rates
    before : pandas.DataFrame
        Indexed by supplier: ``cane`` and ``minutes_before`` per tied piece.
    weights : pandas.Series
        Reeds made, by supplier.

    Returns
    -------
    Stakes
        In money, a saleable reed at what another one costs to make. Cane and the work before tying
        are sunk; a good reed takes its staple with it, a failure gives it back as often as the
        rates say.
    """
    minute = rates.wage_per_hour / 60
    success, if_good, if_bad = by_outcome(cases, "scrape_min")
    of = before.dropna(how="all").fillna(0.0)
    share = weights.reindex(of.index).fillna(0.0).clip(lower=1.0)
    sunk = np.average(of["cane"] + minute * of["minutes_before"], weights=share) if len(of) else 0.0
    return Stakes.at_replacement(
        success,
        if_good=minute * if_good + rates.staple_price + rates.thread_price,
        if_bad=minute * if_bad
        + (1 - rates.staple_recovered) * rates.staple_price
        + rates.thread_price,
        sunk=float(sunk),
        minute=minute,
    )


def slopes_within_lots(
    cases: pd.DataFrame, measures: tuple[Measure, ...], stakes: Stakes, level: float = 0.9
) -> pd.DataFrame:
    """Say how each measure goes with success within lots, and what it could save at best.

    Returns
    -------
    pandas.DataFrame
        See `PassingOver.table`.
    """
    centred = _within_lots(cases, measures).assign(good=cases["good"], lot=cases["lot"])
    return pd.DataFrame([_slope_alone(centred, m, stakes, level) for m in measures])


def _slope_alone(
    centred: pd.DataFrame, measure: Measure, stakes: Stakes, level: float
) -> dict[str, Any]:
    """Fit one measure alone, as a rule on it alone would use it; see `PassingOver.table`."""
    from scipy.stats import norm

    column = measure.column
    model = fit_prediction((measure,), centred, stakes)
    slope = float(model.coefficients[column])
    reach = float(norm.ppf((1 + level) / 2) * np.sqrt(model.covariance.loc[column, column]))

    def saved(at: float) -> float:
        coefficients = pd.Series({"Intercept": model.coefficients["Intercept"], column: at})
        alone = replace(model, coefficients=coefficients, covariance=_SURE)
        each = stakes.saving(alone.keep(centred), alone.chance(centred), measure.minutes)
        return 100 * float(each.mean())

    sd = reach / float(norm.ppf((1 + level) / 2))
    # The slope's normal, in equal shares of its probability.
    shares = np.array(
        [saved(slope + sd * z) for z in norm.ppf((np.arange(_SHARES) + 0.5) / _SHARES)]
    )
    return {
        "measure": measure.says,
        "measured": int(centred[column].notna().sum()),
        "per": float(model.scale[column]),
        "unit": measure.unit,
        "odds_ratio": math.exp(slope),
        "low": math.exp(slope - reach),
        "high": math.exp(slope + reach),
        "could_save": max(0.0, saved(slope - reach), saved(slope + reach)),
        "prob_saves": float((shares > 100 * NOTICE * stakes.if_bad).mean()),
        "expected": float(np.maximum(shares, 0.0).mean()),
    }


def _within_lots(cases: pd.DataFrame, measures: tuple[Measure, ...]) -> pd.DataFrame:
    """Return each measure centred on the mean of its lot."""
    columns = [m.column for m in measures]
    return cases[columns] - cases.groupby("lot")[columns].transform("mean")


_SHARES = 40
_SURE = pd.DataFrame(np.zeros((2, 2)))
"""Covariance of an intercept and one slope that are taken as known."""


def _notes(
    cases: pd.DataFrame, measures: tuple[Measure, ...], narrowed: pd.DataFrame
) -> tuple[str, ...]:
    notes = [
        "Pieces sorted out before they were measured are not in the records: had bent and soft "
        "pieces been tied too, measuring might show more."
    ]
    for row in narrowed[narrowed["ratio"] < 0.9].itertuples():
        notes.append(
            f"The tied pieces vary {100 * (1 - row.ratio):.0f} % less than the measured ones in "
            f"{row.measure}, so earlier sorting has narrowed what can be seen of it."
        )
    used = {m.column for m in measures}
    unused = [m.says for m in MEASURES if m.column not in used]
    if unused:
        notes.append(
            f"Not judged, because fewer than half of the {len(cases)} reeds have it or it never "
            f"differs within a lot: {listed(unused)}."
        )
    return tuple(notes)
