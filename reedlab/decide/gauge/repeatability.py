"""A gauge's readings taken apart into pieces, hands and repeats.

    reading = mean + piece + hand + (piece, hand) + repeat,

fitted as crossed random effects. The spread of pieces is what the maker wants to see; the rest is
the measuring. **Repeatability** is the spread of one hand's repeats, **reproducibility** what
changing hands adds. A maker who measures everything alone compares pieces within one hand, so what
that hand always adds falls out; both views are given.

References
----------
Burdick, Borror and Montgomery (2005), Design and Analysis of Gauge R&R Studies, SIAM. Shrout and
Fleiss (1979), Psychological Bulletin 86(2) 420-428.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reedlab.decide.draws import interval
from reedlab.errors import DecisionError
from reedlab.mixed.gaps.measurement_error import ReadingError
from reedlab.records.tables import in_words

if TYPE_CHECKING:
    from reedlab.records import Bench

ENOUGH_CLASSES = 5  # common practice, no source: fewer sort pieces, they do not measure them
SOUND = 0.8  # reliability above which a comparison of pieces is little harmed; common practice
WEAK = 0.5  # reliability below which a reading says more of the measuring than of the piece
_MOST_READINGS = 10
"""Readings of one piece that a maker may take; of more the means are not told."""
_SOURCES = {
    "piece": "pieces",
    "operator": "hands",
    "piece:operator": "hands, by piece",
    "Residual": "repeats",
}


@dataclass(frozen=True)
class GaugeStudy:
    """What a study of repeated measurements says of a gauge.

    Attributes
    ----------
    quantity : str
        The column that was measured.
    counts : pandas.Series
        `pieces`, `hands`, `readings`.
    spread : pandas.DataFrame
        One row a source (pieces; hands; hands, by piece; repeats; then all measuring and
        everything): `sd` in the quantity's unit with `low` and `high`; `variance_pct` and
        `spread_pct`, the source's variance and sd in per cent of everything's.
    worth : pandas.DataFrame
        What one reading is worth, for ``one hand`` throughout and for ``any hand``: `reliability`
        (share of the readings' variance that is the pieces') and `classes` (how many groups of
        pieces one reading tells apart, √2 times the pieces' sd over the measuring's), each with
        its `_low` and `_high`.
    enough : pandas.DataFrame
        The mean of 1, 2, ... readings of a piece: `readings`, `one_hand` and `any_hand`
        (reliability), `sd_one_hand` (of such a mean, in the quantity's unit).
    agreement : pandas.DataFrame
        Intraclass correlations of Shrout and Fleiss from pingouin, hands' means (or the one
        hand's trials) as judges; empty unless every piece was read by each.
    error : ReadingError
        The standard deviation of one reading by one hand about its piece, with the degrees of
        freedom it is known to: what ``rl.fit_corrected`` takes as
        ``reading_error={quantity: study.error}``.
    level : float
        Of the intervals.
    """

    quantity: str
    counts: pd.Series
    spread: pd.DataFrame
    worth: pd.DataFrame
    enough: pd.DataFrame
    agreement: pd.DataFrame
    error: ReadingError
    level: float

    def readings_for(self, reliability: float = SOUND) -> int | None:
        """Return how many readings by one hand reach a reliability, None if ten do not."""
        reached = self.enough.loc[self.enough["one_hand"] >= reliability, "readings"]
        return int(reached.min()) if len(reached) else None

    def sentence(self) -> str:
        """Say whether the gauge tells these pieces apart, how sure that is, and what to do."""
        one = self.worth.loc["one hand"]
        name = in_words(self.quantity)
        said = (
            f"reliability {one['reliability']:.2f} "
            f"({one['reliability_low']:.2f} to {one['reliability_high']:.2f})"
        )
        sorts = f"about {int(one['classes'])} classes" if one["classes"] >= 2 else "no classes"
        if one["reliability_low"] < WEAK and one["reliability_high"] > SOUND:
            return (
                f"This study cannot tell whether the gauge tells pieces apart by {name}: one "
                f"reading has {said}; measure ten pieces or more, three times each, in mixed order."
            )
        if one["reliability"] < WEAK:
            verdict = f"The gauge cannot tell these pieces apart by {name}: {said}"
            act = "measure with a finer gauge, or leave this quantity out of decisions"
        elif one["classes"] < ENOUGH_CLASSES:
            verdict = f"By {name} one reading sorts these pieces into {sorts}, no more: {said}"
            act = "sort by it, but do not read small differences"
        else:
            verdict = f"The gauge tells these pieces apart by {name}: {sorts}, {said}"
            act = "use it"
        return f"{verdict}; {act}. {self._how_many()}{self._hands()}"

    def _how_many(self) -> str:
        needed = self.readings_for()
        if needed == 1:
            return "One reading of a piece is enough."
        if needed is None:
            return f"Not even the mean of ten readings of a piece reaches {SOUND}."
        return f"The mean of {needed} readings of a piece reaches {SOUND}."

    def _hands(self) -> str:
        if "any hand" not in self.worth.index:
            return " One hand measured: nothing is known of another's."
        loss = self.worth.loc["one hand", "reliability"] - self.worth.loc["any hand", "reliability"]
        return " Let one hand do all the measuring: hands differ." if loss > 0.05 else ""


def gauge_study(
    bench: Bench | pd.DataFrame, quantity: str, *, level: float = 0.9, seed: int = 1
) -> GaugeStudy:
    """Take a gauge's readings apart into pieces, hands and repeats.

    Use it before any decision rests on a measured quantity, and again when the gauge, the hand or
    the spread of the cane changes: the answer holds for pieces that differ as these do.

    Parameters
    ----------
    bench : Bench or pandas.DataFrame
        A bench, or its ``gauge`` table: piece, quantity, operator, trial, value.
    quantity : str
        Which quantity, as the table names it.
    level : float, default 0.9
        Of the intervals, which come from the posterior of the variances and so know how little
        few pieces and few hands say.
    seed : int
        Of the posterior's draws.

    Returns
    -------
    GaugeStudy

    Raises
    ------
    DecisionError
        When there are no such readings, fewer than three pieces, or no repeats.

    Examples
    --------
    >>> import numpy as np
    >>> rng = np.random.default_rng(1)
    >>> readings = pd.DataFrame([(p, "hardness", "KL", t, 20 + 3 * size + rng.normal())
    ...     for p, size in enumerate(rng.normal(size=12)) for t in (1, 2, 3)],
    ...     columns=["piece", "quantity", "operator", "trial", "value"])
    >>> study = gauge_study(readings, "hardness")
    >>> print(study.sentence()[:52])
    By hardness one reading sorts these pieces into abou
    """
    from reedlab.mixed import fit

    readings = readings_of(bench, quantity)
    sources = _sources(readings)
    fitted = fit(" + ".join(["value ~ 1", *(f"(1 | {source})" for source in sources)]), readings)
    names = [*sources, "Residual"]
    variances = fitted.vcomp.set_index("group")["sd"][names] ** 2
    draws = fitted.posterior(seed=seed).draws(4000)
    drawn = draws[[f"sd {name}" for name in names]].set_axis(names, axis=1) ** 2
    hands = ["one hand", *["any hand"] * ("operator" in names)]
    noise = _noise(drawn, "one hand")
    return GaugeStudy(
        quantity=quantity,
        counts=pd.Series(
            {
                "pieces": readings["piece"].nunique(),
                "hands": readings["operator"].nunique(),
                "readings": len(readings),
            }
        ),
        spread=_spread(variances, drawn, level),
        worth=pd.DataFrame({hand: _worth(variances, drawn, hand, level) for hand in hands}).T,
        enough=_enough(variances, hands),
        agreement=_judges(readings),
        error=ReadingError(
            sd=float(np.sqrt(_noise(variances, "one hand"))),
            # A scaled inverse χ² with these degrees of freedom has the draws' mean and variance.
            df=float(4 + 2 * noise.mean() ** 2 / noise.var(ddof=0)),
        ),
        level=level,
    )


def readings_of(bench: Bench | pd.DataFrame, quantity: str) -> pd.DataFrame:
    """Return a study's readings of one quantity, checked for what its questions need."""
    table = bench if isinstance(bench, pd.DataFrame) else bench.tables["gauge"]
    readings = table.loc[(table["quantity"] == quantity) & table["value"].notna()].copy()
    if readings.empty:
        known = ", ".join(sorted(map(str, table["quantity"].dropna().unique()))) or "nothing"
        raise DecisionError(
            f"The gauge table holds no readings of {quantity!r} (it holds {known}): measure ten "
            "pieces three times each and note piece, quantity, operator, trial and value."
        )
    for name in ("piece", "operator", "trial"):
        readings[name] = readings[name].astype(str).astype("category")
    pieces = readings["piece"].nunique()
    if pieces < 3:
        raise DecisionError(
            f"The gauge study of {quantity!r} has {pieces} pieces: three are the least that show "
            "how pieces differ, ten are good."
        )
    if readings.groupby("piece", observed=True).size().max() < 2:
        raise DecisionError(
            f"No piece in the gauge study of {quantity!r} was measured twice: repeat each reading "
            "at least once, in mixed order."
        )
    return readings.reset_index(drop=True)


def _sources(readings: pd.DataFrame) -> list[str]:
    """Return the random effects that these readings can tell apart."""
    if readings["operator"].nunique() < 2:
        return ["piece"]
    cells = readings.groupby(["piece", "operator"], observed=True).size()
    return ["piece", "operator"] + (["piece:operator"] if cells.max() > 1 else [])


def _noise(variances: pd.Series | pd.DataFrame, hand: str, readings: int = 1) -> Any:
    """Variance of the mean of some readings about its piece, hands' own part in or out."""
    always = variances.get("piece:operator", 0.0)
    if hand == "any hand":
        always = always + variances.get("operator", 0.0)
    return always + variances["Residual"] / readings


def _reliability(variances: pd.Series | pd.DataFrame, hand: str, readings: int = 1) -> Any:
    return variances["piece"] / (variances["piece"] + _noise(variances, hand, readings))


def _classes(variances: pd.Series | pd.DataFrame, hand: str) -> Any:
    return np.sqrt(2.0 * variances["piece"] / _noise(variances, hand))


def _spread(variances: pd.Series, drawn: pd.DataFrame, level: float) -> pd.DataFrame:
    """Put the sources' sds, intervals and shares into a frame."""
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
        return pd.DataFrame(columns=["Type", "ICC"])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pingouin 0.7 calls pandas 3 in a way that will go
        return pingouin.intraclass_corr(means, targets="piece", raters=judge, ratings="value")
