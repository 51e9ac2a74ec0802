"""A gauge's variance components: pieces, hands (operators) and repeats.

    reading = mean + piece + hand + (piece, hand) + repeat,

fitted as crossed random effects. The variance between pieces is what the maker wants to see; the
rest is measurement error. **Repeatability** is the standard deviation of one hand's repeats,
**reproducibility** what changing hands adds. A maker who measures everything alone compares pieces
within one hand, so that hand's own bias cancels; both views are given.

References
----------
Burdick, Borror and Montgomery (2005), Design and Analysis of Gauge R&R Studies, SIAM. Shrout and
Fleiss (1979), Psychological Bulletin 86(2) 420-428.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import TYPE_CHECKING, Any

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
from reedlab.decide.draws import interval
from reedlab.errors import DecisionError
from reedlab.mixed.gaps.measurement_error import ReadingError
from reedlab.records.tables import in_words

if TYPE_CHECKING:
    from reedlab.records import Bench

ENOUGH_CLASSES = 5  # common practice, no source: fewer sort pieces, they do not measure them
SOUND = 0.8  # reliability above which a comparison of pieces is little harmed; common practice
WEAK = 0.5  # reliability below which a reading says more of the measuring than of the piece
HANDS_DIFFER = 0.05  # reliability lost by changing hands from which on one hand should measure
_MOST_READINGS = 10
"""Most readings of one piece whose mean is considered."""
_ICC = ("Type", "ICC", "F", "df1", "df2", "pval", "CI95")
"""Columns of pingouin's intraclass correlations."""
_SOURCES = {
    "piece": "pieces",
    "operator": "hands",
    "piece:operator": "hands, by piece",
    "Residual": "repeats",
}


class GaugeUse(Enum):
    """What one reading of a gauge is good for."""

    MEASURE = "measure"
    SORT = "sort"
    NOTHING = "nothing"


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class GaugeStudy(Answer):
    """What a study of repeated measurements says of a gauge.

    Attributes
    ----------
    table : pandas.DataFrame
        What one reading is worth, indexed by `measured_by` (``one hand`` throughout, ``any hand``):
        `reliability` (the pieces' share of the readings' variance, an intraclass correlation) and
        `classes` (how many groups of pieces one reading distinguishes, √2 times the pieces'
        standard deviation over the measuring's: the number of distinct categories, which a
        sentence rounds down as is the custom), each with its `_low` and `_high`.
    quantity : str
        The column that was measured.
    pieces, hands, readings : int
        How many there are in the study.
    use : GaugeUse or None
        What one reading by one hand is good for; None where the study cannot say.
    spread : pandas.DataFrame
        Indexed by `source` (pieces; hands; hands, by piece; repeats; then all measuring and
        everything): `sd` in the quantity's unit with `low` and `high`; `variance_pct` and
        `spread_pct`, the source's variance and standard deviation in per cent of everything's.
    enough : pandas.DataFrame
        The mean of 1, 2, ... readings of a piece: `readings`, `one_hand` and `any_hand`
        (reliability), `sd_one_hand` (of such a mean, in the quantity's unit).
    agreement : pandas.DataFrame
        Intraclass correlations of Shrout and Fleiss from pingouin, hands' means (or the one
        hand's trials) as judges; empty unless every piece was read by each.
    measured : pandas.DataFrame
        Every reading: `piece`, `quantity`, `operator`, `trial`, `value`.
    error : ReadingError or None
        Standard deviation of one reading by one hand about its piece, with its degrees of freedom,
        to correct a slope for attenuation (regression dilution): what ``rl.fit_corrected`` takes as
        ``reading_error={quantity: study.error}``.
    """

    table: pd.DataFrame = empty(
        "reliability",
        "reliability_low",
        "reliability_high",
        "classes",
        "classes_low",
        "classes_high",
        index="measured_by",
    )
    quantity: str = ""
    pieces: int = 0
    hands: int = 0
    readings: int = 0
    use: GaugeUse | None = None
    spread: pd.DataFrame = empty("sd", "low", "high", "variance_pct", "spread_pct", index="source")
    enough: pd.DataFrame = empty("readings", "one_hand", "sd_one_hand")
    agreement: pd.DataFrame = empty(*_ICC)
    measured: pd.DataFrame = empty("piece", "quantity", "operator", "trial", "value")
    error: ReadingError | None = None

    def readings_needed(self) -> int | None:
        """Return how many readings by one hand are reliable, None if ten are not."""
        reached = self.enough.loc[self.enough["one_hand"] >= SOUND, "readings"]
        return int(reached.min()) if len(reached) else None

    @property
    def hands_differ(self) -> bool:
        """Whether changing hands loses so much reliability that one hand should measure."""
        if "any hand" not in self.table.index:
            return False
        by_hand = self.table["reliability"]
        return bool(by_hand["one hand"] - by_hand["any hand"] > HANDS_DIFFER)

    def _sentence(self) -> str:
        one, name = self.table.loc["one hand"], in_words(self.quantity)
        said = (
            f"reliability {one['reliability']:.2f} "
            f"({one['reliability_low']:.2f} to {one['reliability_high']:.2f})"
        )
        if self.use is None:
            return (
                f"This study cannot say whether the gauge distinguishes pieces by {name}: {said}."
            )
        if self.use is GaugeUse.NOTHING:
            found = f"The gauge cannot distinguish these pieces by {name}: {said}."
        elif self.use is GaugeUse.SORT:
            found = (
                f"By {name} one reading by one hand sorts these pieces into "
                f"{_counted(one['classes'])}, no more: {said}.{self._any_hand()} Do not read small "
                "differences."
            )
        else:
            found = (
                f"The gauge distinguishes these pieces by {name}: {_counted(one['classes'])} by "
                f"one hand, {said}.{self._any_hand()} Use it."
            )
        other = "" if self.hands > 1 else " One hand measured: another's is not known."
        return f"{found}{other}"

    def _any_hand(self) -> str:
        """Say into how many classes a reading by any hand sorts, where it is not as many."""
        classes = self.table["classes"]
        if "any hand" not in classes or int(classes["any hand"]) == int(classes["one hand"]):
            return ""
        return f" By any hand: {_counted(classes['any hand'])}."


def _counted(classes: float) -> str:
    """Count classes as the field does, rounded down: the next one is not yet distinguished."""
    return f"{int(classes)} classes ({classes:.2f}, rounded down)" if classes >= 2 else "no classes"


@question(GaugeStudy)
def gauge(bench: Bench, quantity: str, *, level: float = 0.9, seed: int = 1) -> GaugeStudy:
    """Say whether a gauge distinguishes pieces, from repeated readings of some.

    Use it before any decision rests on a measured quantity, and again when the gauge, the hand or
    the cane changes: the answer holds for pieces that differ as these do.

    Parameters
    ----------
    bench : Bench
        Its ``gauge`` table: piece, quantity, operator, trial, value.
    quantity : str
        Which quantity, as the table names it.
    level : float, default 0.9
        Of the intervals, which come from the posterior of the variances and so show how little
        few pieces and few hands say.
    seed : int
        Of the posterior's draws.

    Returns
    -------
    GaugeStudy
        Sure, unless the interval of the reliability holds both `WEAK` and `SOUND`. Unanswered where
        there are no such readings, fewer than three pieces, no repeats, or none that differs.

    Examples
    --------
    >>> from reedlab.records import Bench
    >>> rng = np.random.default_rng(1)
    >>> readings = pd.DataFrame([(p, "hardness", "KL", t, 20 + 3 * size + rng.normal())
    ...     for p, size in enumerate(rng.normal(size=12)) for t in (1, 2, 3)],
    ...     columns=["piece", "quantity", "operator", "trial", "value"])
    >>> study = gauge(Bench.from_tables({"gauge": readings}, check=False), "hardness")
    >>> study.verdict, study.use
    (<Verdict.SURE: 'sure'>, <GaugeUse.SORT: 'sort'>)
    """
    from reedlab.mixed import fit

    readings = readings_of(bench, quantity)
    own = readings.groupby(["piece", "operator"], observed=True)["value"]
    if own.size().max() > 1 and own.nunique().max() == 1:
        raise CannotAnswer(
            f"No two readings of {in_words(quantity)} on one piece by one hand differ, so nothing "
            "shows how far a reading errs.",
            RecordNext(
                "Read each piece anew, without a look at the last reading, to one more digit."
            ),
        )
    sources = _sources(readings)
    fitted = fit(" + ".join(["value ~ 1", *(f"(1 | {source})" for source in sources)]), readings)
    names = [*sources, "Residual"]
    variances = fitted.vcomp.set_index("group")["sd"][names] ** 2
    draws = fitted.posterior(seed=seed).draws(4000)
    drawn = draws[[f"sd {name}" for name in names]].set_axis(names, axis=1) ** 2
    hands = ["one hand", *["any hand"] * ("operator" in names)]
    noise = _noise(drawn, "one hand")
    worth = pd.DataFrame({hand: _worth(variances, drawn, hand, level) for hand in hands}).T
    one, enough = worth.loc["one hand"], _enough(variances, hands)
    use = _use(one)
    study = GaugeStudy(
        table=worth.rename_axis("measured_by"),
        level=level,
        claims=claims_frame([_claim(quantity, one, use, _reliability(drawn, "one hand"))]),
        quantity=quantity,
        pieces=readings["piece"].nunique(),
        hands=readings["operator"].nunique(),
        readings=len(readings),
        use=use,
        spread=_spread(variances, drawn, level),
        enough=enough,
        agreement=_judges(readings),
        measured=readings,
        error=ReadingError(
            sd=float(np.sqrt(_noise(variances, "one hand"))),
            # A scaled inverse χ² with these degrees of freedom has the draws' mean and variance.
            df=float(4 + 2 * noise.mean() ** 2 / noise.var(ddof=0)),
        ),
    )
    return replace(study, record_next=RecordNext(_next(study)))


def _use(one: pd.Series) -> GaugeUse | None:
    """Return what one reading is good for; None where the study's interval is too wide to say."""
    if one["reliability_low"] < WEAK and one["reliability_high"] > SOUND:
        return None
    if one["reliability"] < WEAK:
        return GaugeUse.NOTHING
    return GaugeUse.SORT if one["classes"] < ENOUGH_CLASSES else GaugeUse.MEASURE


def _claim(
    quantity: str, one: pd.Series, use: GaugeUse | None, drawn: pd.Series
) -> tuple[str, float, Verdict, float, bool]:
    """Claim on which side of `WEAK` the reliability is, as sure as today's draws of it."""
    size, above = float(one["reliability"]), float((drawn >= WEAK).mean())
    more, chance = ("more", above) if size >= WEAK else ("less", 1 - above)
    statement = f"a reading of {in_words(quantity)} says {more} of the piece than of the measuring"
    grade = Verdict.CANNOT_SAY if use is None else Verdict.SURE
    return statement, chance, grade, size, size >= WEAK


def _next(study: GaugeStudy) -> str:
    """Return what to measure next, or with what."""
    if study.use is None:
        return "Measure ten pieces or more, three times each, in mixed order."
    if study.use is GaugeUse.NOTHING:
        return "Measure with a finer gauge, or leave this quantity out of decisions."
    needed = study.readings_needed()
    if needed is None:
        many = f"Not even the mean of ten readings of a piece reaches a reliability of {SOUND}."
    elif needed == 1:
        many = "One reading of a piece is enough."
    else:
        many = f"Take the mean of {needed} readings of each piece."
    return (
        f"{many} Let one hand do all the measuring: hands differ." if study.hands_differ else many
    )


def readings_of(bench: Bench, quantity: str) -> pd.DataFrame:
    """Return a study's readings of one quantity, checked for what its questions need."""
    table = bench.tables["gauge"]
    readings = table.loc[(table["quantity"] == quantity) & table["value"].notna()].copy()
    name = in_words(quantity)
    if readings.empty:
        known = ", ".join(sorted(map(str, table["quantity"].dropna().unique()))) or "nothing"
        if quantity not in bench.cane:
            raise DecisionError(
                f"The gauge table has no quantity {quantity!r}: choose one that it holds ({known})."
            )
        raise CannotAnswer(
            f"The gauge table holds no readings of {quantity!r} (it holds {known}).",
            RecordNext(
                "Measure ten pieces three times each and note piece, quantity, operator, trial "
                "and value."
            ),
        )
    for column in ("piece", "operator", "trial"):
        readings[column] = readings[column].astype(str).astype("category")
    pieces = readings["piece"].nunique()
    if pieces < 3:
        raise CannotAnswer(
            f"The gauge study of {name} has too few pieces ({pieces}) to show how pieces differ.",
            RecordNext("Measure at least three pieces, better ten."),
        )
    if readings.groupby("piece", observed=True).size().max() < 2:
        raise CannotAnswer(
            f"No piece in the gauge study of {name} was measured twice.",
            RecordNext("Repeat each reading at least once, in mixed order."),
        )
    return readings.reset_index(drop=True)


def _sources(readings: pd.DataFrame) -> list[str]:
    """Return the random effects that these readings identify."""
    if readings["operator"].nunique() < 2:
        return ["piece"]
    cells = readings.groupby(["piece", "operator"], observed=True).size()
    return ["piece", "operator"] + (["piece:operator"] if cells.max() > 1 else [])


def _noise(variances: pd.Series | pd.DataFrame, hand: str, readings: int = 1) -> Any:
    """Return the variance of a mean of readings about its piece, with the hands' for any hand."""
    always = variances.get("piece:operator", 0.0)
    if hand == "any hand":
        always = always + variances.get("operator", 0.0)
    return always + variances["Residual"] / readings


def _reliability(variances: pd.Series | pd.DataFrame, hand: str, readings: int = 1) -> Any:
    return variances["piece"] / (variances["piece"] + _noise(variances, hand, readings))


def _classes(variances: pd.Series | pd.DataFrame, hand: str) -> Any:
    return np.sqrt(2.0 * variances["piece"] / _noise(variances, hand))


def _spread(variances: pd.Series, drawn: pd.DataFrame, level: float) -> pd.DataFrame:
    """Return the sources' standard deviations, intervals and shares."""
    sources: dict[str, list[Any]] = {}
    for which in (variances, drawn):
        measuring = _noise(which, "any hand")
        parts = {_SOURCES[name]: which[name] for name in variances.index}
        parts |= {"all measuring": measuring, "everything": measuring + which["piece"]}
        for source, variance in parts.items():
            sources.setdefault(source, []).append(np.sqrt(variance))
    rows = {name: (sd, *_ends(draws, sd, level)) for name, (sd, draws) in sources.items()}
    frame = pd.DataFrame(rows, index=["sd", "low", "high"]).T
    frame["spread_pct"] = 100.0 * frame["sd"] / frame.loc["everything", "sd"]
    frame.insert(3, "variance_pct", frame["spread_pct"] ** 2 / 100.0)
    return frame.rename_axis("source")


def _ends(draws: pd.Series, estimate: float, level: float) -> tuple[float, float]:
    """Return the draws' central interval, stretched to hold an estimate at its bound."""
    low, high = interval(draws, level)
    return min(float(low), estimate), max(float(high), estimate)


def _worth(variances: pd.Series, drawn: pd.DataFrame, hand: str, level: float) -> pd.Series:
    found = {}
    for name, function in (("reliability", _reliability), ("classes", _classes)):
        estimate = float(function(variances, hand))
        low, high = _ends(function(drawn, hand), estimate, level)
        found.update({name: estimate, f"{name}_low": low, f"{name}_high": high})
    return pd.Series(found)


def _enough(variances: pd.Series, hands: Sequence[str]) -> pd.DataFrame:
    counts = range(1, _MOST_READINGS + 1)
    frame = pd.DataFrame({"readings": counts})
    for hand in hands:
        column = hand.replace(" ", "_")
        frame[column] = [float(_reliability(variances, hand, k)) for k in counts]
    frame["sd_one_hand"] = [float(np.sqrt(_noise(variances, "one hand", k))) for k in counts]
    return frame


def _judges(readings: pd.DataFrame) -> pd.DataFrame:
    """Return pingouin's intraclass correlations where every judge read every piece."""
    import pingouin

    judge = "operator" if readings["operator"].nunique() > 1 else "trial"
    means = readings.groupby(["piece", judge], observed=True)["value"].mean().reset_index()
    judges = means[judge].nunique()
    if judges < 2 or len(means) != judges * means["piece"].nunique() or len(means) <= judges * 4:
        return pd.DataFrame(columns=list(_ICC))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pingouin 0.7 calls pandas 3 in a way that will go
        return pingouin.intraclass_corr(means, targets="piece", raters=judge, ratings="value")
