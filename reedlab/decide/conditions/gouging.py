"""Is the gouger drifting, and which lots come out uneven.

A blade wears, a bed shifts, a hand changes the set-up: what the gouger cuts moves slowly, too
slowly to be noticed from one day to the next. Both questions use the thickness readings that were
taken anyway.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reedlab.decide.answer import (
    LIKELY_FROM,
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
from reedlab.decide.matters import MM, Mixture
from reedlab.errors import DecisionError
from reedlab.mixed.gaps.measurement_error import ReadingError
from reedlab.records.tables import in_words

if TYPE_CHECKING:
    from reedlab.records import Bench

FEWEST_SESSIONS = 4  # days of gouging below which a slope has next to no degrees of freedom
FEWEST_PIECES = 5  # of a lot, below which its standard deviation is not given
ALIKE = 0.05  # p of Levene's test below which lots are not all equally even
_MEMORY = (0.0, 2.0, 4.0, 8.0)  # in usual gaps between days of gouging; 0 is none
_STEPS = 25  # values of the standard deviation of days
_DEALT = 2000  # permutations of the deviations
READINGS = {
    "gouge_centre_mm": "centre thickness",
    "gouge_asymmetry_mm": "left side less right",
}


class Drift(StrEnum):
    """Whether a reading moves under a set-up, in the order in which they matter."""

    DRIFTS = "drifts"  # likely by more than `MM` from its first day to its last
    CANNOT_SAY = "cannot say"
    STEADY = "steady"  # likely by less


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Gouger(Answer):
    """How what the gouger cuts has moved under each set-up.

    Attributes
    ----------
    table : pandas.DataFrame
        One row a set-up and reading: `set_up`, `reading`, `sessions` (days of gouging), `pieces`,
        `first`, `last` (days), `start_mm` (at the first day), `per_100_days_mm` with `low`,
        `high`, `prob` (that it has moved by more than 0.02 mm from its first day to its last or,
        where likelier, by less) and `drift` (a `Drift`).
    pieces : pandas.DataFrame
        One row a piece: piece, lot, measured_on, set_up, gouge_centre_mm, gouge_asymmetry_mm.
    """

    table: pd.DataFrame = empty(
        "set_up",
        "reading",
        "sessions",
        "pieces",
        "first",
        "last",
        "start_mm",
        "per_100_days_mm",
        "low",
        "high",
        "prob",
        "drift",
    )
    level: float = 0.9
    pieces: pd.DataFrame = empty("piece", "lot", "measured_on", *READINGS, "set_up")

    @property
    def drift(self) -> Drift:
        """The gravest of the table: one that drifts before one that cannot be said."""
        return min(self.table["drift"], key=list(Drift).index, default=Drift.CANNOT_SAY)

    def _sentence(self) -> str:
        rows = self.table[self.table["drift"] == self.drift].to_dict("records")
        likely = "likely " if self.verdict is Verdict.LIKELY else ""
        if self.drift is Drift.STEADY:
            found = f"The gouger is {likely}steady: no reading moved by over {MM} mm under a set-up"
        elif self.drift is Drift.DRIFTS:
            found = f"The gouger {likely}drifts: {'; '.join(_in_words(row) for row in rows)}"
        else:
            named = [f"{row['reading']} ({row['set_up']})" for row in rows]
            found = f"Whether the gouger drifts is not clear for {', '.join(named)}"
        return f"{found}."


NEXT = {
    Drift.STEADY: "Go on measuring a few pieces on every day of gouging.",
    Drift.DRIFTS: (
        "Sharpen the blade or reset the bed, note the day as a new set-up, and measure the next "
        "pieces."
    ),
    Drift.CANNOT_SAY: (
        "Measure a few pieces on every day of gouging, and note the day and the set-up."
    ),
}
"""What to do next."""


def _in_words(row: dict[str, object]) -> str:
    return (
        f"{row['reading']} by {row['per_100_days_mm']:+.3f} mm ({row['low']:+.3f} to "
        f"{row['high']:+.3f}) in 100 days under {row['set_up']!r}"
    )


@question(Gouger)
def gouger(bench: Bench, *, level: float = 0.9, seed: int = 1) -> Gouger:
    """Follow centre thickness and asymmetry over the days of gouging, set-up by set-up.

    Only pieces gouged here count, those of lots bought as tubes or split. A set-up is what
    ``bench.toml`` dates as the usual `gouger` (note a sharpening as a new one), or what a reed's
    row says. Pieces gouged on one day share that day's hand and setting, so days are a random
    effect and a slope has as many degrees of freedom as days less two.

    Parameters
    ----------
    bench : Bench
        A bench with measured pieces.
    level : float
        Of the intervals.
    seed : int
        As every question has it; this one draws nothing.

    Returns
    -------
    Gouger
        As sure as that a reading drifts or that all are steady. Unanswered where no piece gouged
        here has its gouge and the day of it.
    """
    cane = bench.cane
    here = ~cane["form"].isin(["gouged", "shaped"]) & cane["measured_on"].notna()
    pieces = cane.loc[here, ["piece", "lot", "measured_on", *READINGS]].dropna(how="any")
    if pieces.empty:
        raise CannotAnswer(
            "No piece gouged at this bench has its gouge and the day noted.",
            RecordNext(
                "Fill gouge_centre_mm, gouge_left_mm, gouge_right_mm and measured_on for a few "
                "pieces of every session."
            ),
        )
    pieces = pieces.assign(set_up=_set_up(bench, pieces)).reset_index(drop=True)
    rows = [
        {"set_up": set_up, "reading": says, **_slope(group, column, level)}
        for set_up, group in pieces.groupby("set_up", sort=False)
        for column, says in READINGS.items()
    ]
    table = pd.DataFrame(rows)
    gravest = table.sort_values("drift", key=lambda d: d.map(list(Drift).index), kind="stable")
    steady = (table["drift"] == Drift.STEADY).all()
    if steady:  # all of them must hold still, so the least sure decides
        gravest = table.sort_values("prob", kind="stable")
    claims = claims_frame([_claim(row) for row in gravest.to_dict("records")])
    found = Gouger(table=table, level=level, claims=claims, pieces=pieces)
    following = RecordNext(
        NEXT[found.drift], about=About.GOUGER, more=found.drift is not Drift.STEADY
    )
    return replace(found, record_next=following)


def _claim(row: dict[Any, Any]) -> tuple[str, float, Verdict, float, bool]:
    says = {Drift.STEADY: "is steady", Drift.DRIFTS: "drifts", Drift.CANNOT_SAY: "drifts"}
    grade = Verdict.CANNOT_SAY if row["drift"] is Drift.CANNOT_SAY else graded(row["prob"])
    statement = f"{row['reading']} under {row['set_up']!r} {says[row['drift']]}"
    slope, days = row["per_100_days_mm"], (row["last"] - row["first"]).days
    return statement, row["prob"], grade, slope, bool(abs(slope) * days / 100 >= MM)


def _set_up(bench: Bench, pieces: pd.DataFrame) -> pd.Series:
    """Return the gouger's set-up for each piece: as usual on its day, or as its reed's row says."""
    set_up = pd.Series("the one set-up", index=pieces.index, dtype=object)
    for usual in sorted(bench.settings.usual, key=lambda usual: usual.since):
        if "gouger" in usual.values:
            set_up[pieces["measured_on"] >= pd.Timestamp(usual.since)] = usual.values["gouger"]
    said = bench.tables["reeds"].dropna(subset=["piece", "gouger"]).drop_duplicates("piece")
    noted = pieces["piece"].astype(object).map(said.set_index("piece")["gouger"])
    return set_up.where(noted.isna(), noted)


@dataclass(frozen=True)
class _Line:
    """A line through days that wander: where it starts and its slope, as mixtures of normals."""

    start: float
    slope: Mixture


def _wandering_line(pieces: pd.DataFrame, column: str) -> _Line:
    """Fit a line to the days' means, over standard deviations of days and lengths of memory.

    The correlation of two days falls exponentially with the time between them; each pair of values
    counts by its restricted likelihood (Harville 1974), with the same weight beforehand.
    """
    by_day = pieces.groupby("measured_on")[column]
    mean, n = by_day.mean().to_numpy(), by_day.size().to_numpy()
    within = float(((by_day.size() - 1) * by_day.var().fillna(0.0)).sum() / (n.sum() - len(n)))
    days = (by_day.mean().index - pieces["measured_on"].min()).days.to_numpy(float)
    X = np.column_stack([np.ones(len(days)), days / 100.0])
    rest = mean - X @ np.linalg.lstsq(X, mean, rcond=None)[0]
    most = max(4 * float(np.sqrt(rest @ rest / (len(mean) - 2))), 1e-6)
    gaps = np.diff(days) / np.median(np.diff(days))
    error = np.maximum(within, 1e-12) / n
    found = []
    for memory in _MEMORY:
        keeps = np.exp(-gaps / memory) if memory else np.zeros(len(gaps))
        log_det, cross = _whitened(
            np.column_stack([X, mean]), keeps, np.linspace(0, most, _STEPS) ** 2, error
        )
        A, b = cross[:, :2, :2], cross[:, :2, 2]
        cov = np.linalg.inv(A)
        beta = np.einsum("gpq,gq->gp", cov, b)
        squares = cross[:, 2, 2] - np.einsum("gp,gp->g", b, beta)
        # Restricted log-likelihood: -½ (log|V| + log|X'V⁻¹X| + r'V⁻¹r).
        log_density = -0.5 * (log_det + np.linalg.slogdet(A)[1] + squares)
        found.append((log_density, beta[:, 0], beta[:, 1], np.sqrt(cov[:, 1, 1])))
    log_density, start, slope, se = (np.concatenate(part) for part in zip(*found))
    weight = np.exp(log_density - log_density.max())
    weight = weight / weight.sum()
    return _Line(float(weight @ start), Mixture(weight, slope, se))


def _whitened(
    columns: np.ndarray, keeps: np.ndarray, variance: np.ndarray, error: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return log|V| (G,) and C'V⁻¹C (G, c, c) of columns C (n, c), day by day (Kalman 1960).

    V = v R + diag(error) for each variance v (G,) of the days, where neighbours in R correlate by
    `keeps` (n - 1,) and others by the product between them.
    """
    log_det = np.zeros(len(variance))
    cross = np.zeros((len(variance), columns.shape[1], columns.shape[1]))
    told, unsure = np.zeros((len(variance), columns.shape[1])), variance
    for row, err, keep in zip(columns, error, np.append(keeps, 0.0)):
        new, spread = row - told, unsure + err
        log_det += np.log(spread)
        cross += new[:, :, None] * new[:, None, :] / spread[:, None, None]
        gain = unsure / spread
        told = keep * (told + gain[:, None] * new)
        unsure = keep**2 * unsure * (1 - gain) + (1 - keep**2) * variance
    return log_det, cross


def _slope(pieces: pd.DataFrame, column: str, level: float) -> dict[str, object]:
    """Return one reading's change over the days of one set-up."""
    first, sessions = pieces["measured_on"].min(), pieces["measured_on"].nunique()
    found: dict[str, object] = {
        "sessions": sessions,
        "pieces": len(pieces),
        "first": first,
        "last": pieces["measured_on"].max(),
        **dict.fromkeys(("start_mm", "per_100_days_mm", "low", "high", "prob"), np.nan),
        "drift": Drift.CANNOT_SAY,
    }
    if sessions < FEWEST_SESSIONS or len(pieces) <= sessions or pieces[column].nunique() < 2:
        return found
    line = _wandering_line(pieces, column)
    slope = float(line.slope.weight @ line.slope.mean)
    low, high = (line.slope.quantile(chance) for chance in ((1 - level) / 2, (1 + level) / 2))
    matters_from = MM / (int((found["last"] - first).days) / 100)  # of a slope, over all its days
    moved, still = line.slope.beyond(matters_from), line.slope.within(matters_from)
    drift, prob = Drift.CANNOT_SAY, max(moved, still)
    if prob >= LIKELY_FROM:
        drift = Drift.DRIFTS if moved > still else Drift.STEADY
    found.update(start_mm=line.start, per_100_days_mm=slope)
    found.update(low=low, high=high, prob=float(prob), drift=drift)
    return found


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class UnevenLots(Answer):
    """How much the pieces of each lot differ among themselves.

    Attributes
    ----------
    table : pandas.DataFrame
        One row a lot, the most uneven first: `lot`, `supplier`, `pieces`, `sd` of the readings with
        `low` and `high`, `others_sd` (of the other lots' pieces about their own lots' means),
        `piece_sd` (the readings' with the gauge's error taken out; NaN where that is not known, 0
        where the readings differ no more than the gauge errs) and `uneven`, whether the lot
        surely differs more than the others, all lots considered.
    column : str
        The property.
    p_alike : float
        Of Levene's test (about the medians) that all lots are equally even.
    """

    table: pd.DataFrame = empty(
        "lot", "supplier", "pieces", "sd", "low", "high", "others_sd", "piece_sd", "uneven"
    )
    level: float = 0.9
    column: str = ""
    p_alike: float = float("nan")

    def _sentence(self) -> str:
        name = READINGS.get(self.column, in_words(self.column))
        uneven = self.table[self.table["uneven"]]
        if uneven.empty:
            but = (
                ", but they are not all alike"
                if self.p_alike < ALIKE
                else "; what differs may be chance"
            )
            return f"No lot stands out as uneven in {name}{but}."
        named = [f"{row.lot} ({row.supplier}, sd {row.sd:.3g})" for row in uneven.itertuples()]
        return (
            f"Uneven in {name}: {', '.join(named)}, where other lots have sd "
            f"{uneven['others_sd'].iloc[0]:.3g}."
        )


def _chance_uneven(lots: list[np.ndarray], seed: int) -> np.ndarray:
    """How often chance makes some lot stand out as much as each does, if all are as even."""
    away = [np.abs(lot - np.median(lot)) for lot in lots]
    # With an odd number of pieces one of them is the median: its deviation is 0 in any lot.
    away = [np.delete(each, each.argmin()) if len(each) % 2 else each for each in away]
    sizes = np.array([len(each) for each in away])
    starts, n, deviations = np.cumsum([0, *sizes[:-1]]), sizes.sum(), np.concatenate(away)
    squares, total = np.sum(deviations**2), np.sum(deviations)

    def stands_out(x: np.ndarray) -> np.ndarray:
        """Each lot's mean deviation less that of all others, as t of the pooled variance."""
        own = np.add.reduceat(x, starts, axis=-1)
        mean, others = own / sizes, (total - own) / (n - sizes)
        left = squares - sizes * mean**2 - (n - sizes) * others**2
        return np.asarray(
            (mean - others) / np.sqrt(np.maximum(left, 1e-300) * (1 / sizes + 1 / (n - sizes)))
        )

    rng, found = np.random.default_rng(seed), stands_out(deviations)
    dealt = np.tile(deviations, (_DEALT, 1))
    most = stands_out(rng.permuted(dealt, axis=1)).max(axis=1)
    return np.asarray((1 + (most[:, None] >= found - 1e-12).sum(axis=0)) / (1 + _DEALT))


@question(UnevenLots)
def uneven_lots(
    bench: Bench,
    column: str,
    *,
    reading_error: float | ReadingError | None = None,
    level: float = 0.9,
    seed: int = 1,
) -> UnevenLots:
    """Compare lots by how much their pieces differ.

    An uneven lot needs every piece measured; an even one is known from a few.

    Parameters
    ----------
    bench : Bench
        A bench with measured pieces.
    column : str
        A measured column of ``bench.cane``.
    reading_error : float or ReadingError, optional
        Standard deviation of a reading's error, such as a gauge study's ``error``, to be taken out.
    level : float
        Of the intervals, which are those of a normal variance (χ²).
    seed : int
        Of the permutations.

    Returns
    -------
    UnevenLots
        Sure where some lot is uneven. Unanswered where fewer than two lots have five measured
        pieces.

    Raises
    ------
    DecisionError
        When the cane has no such column of numbers.

    References
    ----------
    Brown and Forsythe (1974), J Am Stat Assoc 69(346) 364-367 (Levene's test about medians). A lot
    is called uneven where its readings lie further from their median than those of the other lots,
    by the largest t over all lots when the deviations are dealt out anew (Westfall and Young 1993,
    Resampling-Based Multiple Testing): a few wild readings make no lot uneven.
    """
    from scipy import stats

    if column not in bench.cane or not pd.api.types.is_numeric_dtype(bench.cane[column]):
        raise DecisionError(
            f"The cane has no measured column {column!r}: choose a column of numbers of bench.cane."
        )
    cane = bench.cane.dropna(subset=[column, "lot"])
    cane = cane.assign(lot=cane["lot"].astype(str))
    groups = cane.groupby("lot")[column]
    table = groups.agg(pieces="size", sd="std").query(f"pieces >= {FEWEST_PIECES}")
    if len(table) < 2:
        raise CannotAnswer(
            f"Fewer than two lots have {FEWEST_PIECES} pieces with {in_words(column)}.",
            RecordNext("Measure ten pieces of each lot."),
        )
    if (table["sd"] == 0).all():
        raise CannotAnswer(
            f"No two pieces of a lot differ in {in_words(column)}, so no lot is uneven by these "
            "readings.",
            RecordNext("Read each piece by itself, to one more digit."),
        )
    df = table["pieces"] - 1
    squares = df * table["sd"] ** 2
    table["others_sd"] = np.sqrt((squares.sum() - squares) / (df.sum() - df))

    def end(chance: float) -> pd.Series:
        return table["sd"] * np.sqrt(df / stats.chi2.ppf(chance, df))

    table["low"], table["high"] = end((1 + level) / 2), end((1 - level) / 2)
    error = float("nan") if reading_error is None else reading_error
    left = table["sd"] ** 2 - (error.sd if isinstance(error, ReadingError) else error) ** 2
    table["piece_sd"] = np.sqrt(left.clip(lower=0))
    table["supplier"] = cane.groupby("lot")["supplier"].first().astype(str)
    kept = [groups.get_group(lot).to_numpy() for lot in table.index]
    chance = _chance_uneven(kept, seed)
    table["prob"], table["uneven"] = 1 - chance, chance <= (1 - level) / 2
    columns = ["lot", "supplier", "pieces", "sd", "low", "high", "others_sd", "piece_sd", "uneven"]
    table = table.sort_values("sd", ascending=False).reset_index()
    surest = table.sort_values(["uneven", "prob"], ascending=False, kind="stable")
    claims = [
        (
            f"{row.lot} is more uneven than the other lots",
            row.prob,
            Verdict.SURE if row.uneven else Verdict.CANNOT_SAY,
            row.sd / row.others_sd if row.others_sd else np.inf,
            True,
        )
        for row in surest.itertuples()
    ]
    return UnevenLots(
        table=table[columns],
        level=level,
        claims=claims_frame(claims),
        record_next=RecordNext(
            "Measure each piece of an uneven lot before tying."
            if table["uneven"].any()
            else "Measure ten pieces of each new lot to see whether it is uneven."
        ),
        column=column,
        p_alike=float(stats.levene(*kept, center="median").pvalue),
    )
