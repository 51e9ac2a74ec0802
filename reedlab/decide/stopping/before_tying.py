"""Which pieces to pass over before tying.

A piece that is passed over costs its cane; a piece that is tied and fails costs a rough scrape,
thread, sometimes a staple, and most of an hour. Measuring pays only if it distinguishes the two
well enough to cover the minutes that it takes. So the rule to beat is to measure nothing.

Slopes are within lots: whether a lot is good is the supplier's question, and no reason to sort the
pieces inside it. Density and hardness therefore count as differences from the mean of their own
lot, which the maker knows once a few pieces are measured.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, ClassVar

import numpy as np
import pandas as pd

from reedlab.decide.answer import About, CannotAnswer, RecordNext, empty, question
from reedlab.decide.costs import Rates
from reedlab.decide.draws import stacked
from reedlab.decide.evidence import before_tying, gather, listed, tying_minutes
from reedlab.decide.shared_models import cane_slopes
from reedlab.decide.shared_models.cane_slopes import PROPERTIES, WITHIN
from reedlab.decide.stopping.break_even import Stakes, by_outcome
from reedlab.decide.stopping.pieces import MEASURES, OF_CANE, measured_reeds, sorted_before
from reedlab.decide.stopping.rules import Measure
from reedlab.decide.stopping.stages import Stage, Stopping, decide
from reedlab.decide.stopping.tryout import SLOPES
from reedlab.decide.worth import mean_price, worth

STAGE = Stage(
    stop="pass over",
    stopping="passing over",
    blanks="pieces",
    go_on="Tie every piece",
    counted="measured reed",
    notes="the measures of every piece, the poor ones too",
    first="Write down density, hardness, both sides of the gouge and straightness of at least ten "
    "pieces of each of the next {lots} lots before tying, the poor ones too.",
    timing="Note the minutes of every reed or sitting.",
    about=About.MEASURING,
    settled=RecordNext(
        "Tie every piece; measure none of them to sort them.", about=About.MEASURING, more=False
    ),
)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class PassingOver(Stopping):
    """Whether to pass over pieces before tying, and which; see `Stopping` for the rest of it.

    Attributes
    ----------
    table : pandas.DataFrame
        One row a measure, within lots; see `slopes_alone`. A property of the cane has the step and
        the odds ratio of `slopes`, supplier and lot in the model.
    slopes : pandas.DataFrame
        Of each property of the cane, ``property``, ``which`` (between lots, within them) and the
        columns of `cane_slopes.slopes`: the numbers of every page.
    sorted_before : pandas.DataFrame
        One row a measure: ``pieces``, ``tied``, ``sd_measured``, ``sd_tied`` and their ``ratio``.
        Under 1, earlier sorting has narrowed what the records can show (range restriction).
    """

    stage: ClassVar[Stage] = STAGE
    table: pd.DataFrame = empty(*SLOPES)
    slopes: pd.DataFrame = empty("property", "which", *cane_slopes.SLOPES)
    sorted_before: pd.DataFrame = empty(
        "measure", "pieces", "tied", "sd_measured", "sd_tied", "ratio"
    )


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
        Sure or likely that a rule saves, or that none saves enough to be noticed.
        Unanswered where too few settled reeds were made from measured pieces.

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
    narrowed = sorted_before(bench, measures)
    before, costs_notes = before_tying(bench.losses, bench.tables["lots"], bench.settings.currency)
    weights = bench.reeds["supplier"].astype(object).value_counts()
    price, (tying, _) = mean_price(bench.reeds), tying_minutes(bench)

    def counted(rows: pd.DataFrame) -> tuple[Stakes, str]:
        rows = rows.assign(scrape_min=rows["scrape_min"] + tying)  # still ahead of a piece
        found = money_at_stake(rows, Rates.of(bench.settings), before, weights)
        of_reed = worth(price, found.value, bench.settings.currency)
        return replace(found, value=of_reed.value), of_reed.says

    within = cases.assign(**_within_lots(cases, measures))
    settled = bench.reeds[bench.reeds["settled"]]
    found = decide(
        STAGE, cases, measures, "scrape_min", counted, settled, within,
        unit=bench.settings.currency, level=level, seed=seed,
    )  # fmt: skip
    if "slopes" in found:
        of_cane = _of_cane(bench, measures, level, seed)
        found |= {
            "table": _one_number(found.pop("slopes"), measures, of_cane),
            "slopes": _stacked(of_cane),
        }
    return PassingOver(
        sorted_before=narrowed,
        unit=bench.settings.currency,
        notes=(*_notes(cases, measures, narrowed), *costs_notes),
        **found,
    )


def _of_cane(
    bench: Any, measures: tuple[Measure, ...], level: float, seed: int
) -> dict[str, pd.DataFrame]:
    """Both slopes of each property that a measure is of, by the property's column."""
    reeds, known = gather(bench).settled, [OF_CANE.get(m.column) for m in measures]
    found = {c: cane_slopes.of_reeds(reeds, c, level, seed) for c in known if c}
    return {column: slopes for column, slopes in found.items() if len(slopes)}


def _stacked(of_cane: dict[str, pd.DataFrame]) -> pd.DataFrame:
    if not of_cane:
        return pd.DataFrame(columns=["property", "which", *cane_slopes.SLOPES])
    named = {PROPERTIES[c].more: f.rename_axis("which").reset_index() for c, f in of_cane.items()}
    return stacked(named, "property")


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

    `before` has ``cane`` and ``minutes_before`` per tied piece by supplier, `weights` the reeds
    made of each. A saleable reed is valued at what another one costs to make. Cane and the work
    before tying are sunk; a good reed takes its staple with it, a failure gives it back as often as
    the rates say.
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


def _within_lots(cases: pd.DataFrame, measures: tuple[Measure, ...]) -> pd.DataFrame:
    """Return each measure centred on the mean of its lot."""
    columns = [m.column for m in measures]
    return cases[columns] - cases.groupby("lot")[columns].transform("mean")


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
