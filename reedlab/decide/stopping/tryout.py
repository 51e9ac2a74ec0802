"""Rules tried against going on with every blank, and what comes of it.

Passing over pieces before tying and giving up blanks after the rough scrape are one question at
two stages. A rule is recommended only if it saves on lots that it has not seen, whichever of them
the interval takes.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass

import pandas as pd

from reedlab.decide.evidence import FEWEST_TIMED
from reedlab.decide.stopping.folds import Verdict, held_out, judge
from reedlab.decide.stopping.rules import Measure, Rule, fit_rules
from reedlab.decide.stopping.stakes import Stakes

FEWEST = {"lots": 6, "reeds": 60, "of each outcome": 15, "timed": FEWEST_TIMED}
"""Below these a rule is not even tried: a fold would hold next to nothing."""

_LACKS = {
    "blanks": "are too few",
    "good ones": f"hold fewer than {FEWEST['of each outcome']} that turned out good, too few",
    "failures": f"hold fewer than {FEWEST['of each outcome']} that failed, too few",
    "minutes": "have too few minutes noted",
    "notes": "have too little else noted",
}
"""Of what there may be too little, as a sentence says it."""

MANY_LOTS = 60
"""Lots more than a maker will work in years: an answer that needs more is not worth waiting for."""

NOTICE = 0.02
"""Savings below this share of what a failure costs are not worth a change of habit."""


@dataclass(frozen=True)
class Tryout:
    """What became of the rules.

    Attributes
    ----------
    answer : str
        ``"follow"`` the best rule, ``"go on"`` with every blank, or ``"cannot tell"``.
    rules : pandas.DataFrame
        One row a rule that expects to pay, and that stopped some blank of a lot that it had not
        seen, the best first, indexed by ``rule``: ``saving``, ``low``, ``high`` for 100 blanks of
        such lots; ``passed_over``, ``good_passed_over`` (shares); ``apparent`` (the same saving
        counted on the lots that it was learnt from, which flatters it); ``minutes`` of measuring a
        blank; ``says``.
    best : dict
        The best rule after correction for having been chosen: ``saving``, ``low``, ``high``,
        ``optimism``, ``regret`` (of the answer) for 100 blanks; ``per_saleable`` and
        ``per_saleable_with_rule``, what a saleable reed costs from the decision's sunk costs on.
        Empty when `rules` is.
    by_lot : pandas.DataFrame
        What the best rule saved in each lot that it had not seen: ``lot``, ``blanks``,
        ``passed_over``, ``saving`` (for 100 blanks).
    lots : int
    """

    answer: str
    rules: pd.DataFrame
    best: dict[str, float]
    by_lot: pd.DataFrame
    lots: int

    def told(self, unit: str, blanks: str, level: float) -> str:
        """Say what the best rule saved, or that it cost more than it saved."""
        best = self.spelt
        interval = f"({level:.0%} interval {best['low']} to {best['high']})"
        if self.best["saving"] >= 0:
            return f"The best rule would save {best['saving']} {unit} for 100 {blanks} {interval}."
        return (
            f"Even the best rule would have cost {best['saving'].lstrip('−')} {unit} for 100 "
            f"{blanks} more than it saved {interval.replace('interval', 'interval of the saving')}."
        )

    def record(self, what: str) -> str:
        """Say how many lots more to record `what` of, or that so many would never come."""
        if self.more_lots > MANY_LOTS:
            return (
                f"It would take about {self.more_lots} lots more to tell, so let it be unless a "
                f"great saving shows: keep noting {what}."
            )
        return f"Note {what} over about {self.more_lots} more lots."

    @property
    def spelt(self) -> dict[str, str]:
        """The figures of `best` as a sentence holds them: whole numbers, a true minus sign."""
        return {name: f"{value:.0f}".replace("-", "−") for name, value in self.best.items()}

    @property
    def more_lots(self) -> int:
        """Lots more, in tens, that would settle it if the saving is what it seems to be."""
        half = (self.best["high"] - self.best["low"]) / 2
        away = max(abs(self.best["saving"]), half / 3)
        return max(10 * round(self.lots * ((half / away) ** 2 - 1) / 10), 10)


@dataclass(frozen=True, kw_only=True)
class Advice:
    """Whether to stop work on some blanks, as it is answered at either stage.

    Attributes
    ----------
    answer : str
        What to do; ``"cannot tell"`` where the records do not say.
    tryout : Tryout or None
        What became of the rules; None where there was too little to try any.
    lacks : str
        Of what there was too little, see `lacking`; empty where rules were tried.
    stakes : Stakes or None
        What hangs on one blank; None with `tryout`.
    reeds, lots : int
        How many the answer rests on.
    worth : str
        Says what a saleable reed is counted at; empty where no rule was tried.
    level : float
        Of every interval.
    notes : tuple of str
        What must be known with it.
    """

    answer: str
    tryout: Tryout | None
    lacks: str
    stakes: Stakes | None
    reeds: int
    lots: int
    worth: str
    level: float
    notes: tuple[str, ...]

    @property
    def lots_needed(self) -> int:
        """Lots more to record before a rule is tried, four at the least."""
        return max(FEWEST["lots"] - self.lots, 4)

    def too_little(self, stop: str, record: str) -> str:
        """Say why no rule was tried and what to record: `record` where it is more blanks."""
        if self.lacks == "minutes":
            record = "Note the minutes of every reed or sitting."
        elif self.lacks in ("good ones", "failures"):
            record = "Go on recording what becomes of each."
        return f"{_LACKS[self.lacks]} to tell which to {stop}. {record}"


def lacking(cases: pd.DataFrame, minutes: str, measures: Collection[Measure]) -> str:
    """Say of what there is too little to try a rule on; nothing where there is enough.

    Parameters
    ----------
    cases : pandas.DataFrame
        As `try_rules` takes them.
    minutes : str
        The column of minutes that stopping a blank saves.
    measures : collection of Measure
        What a rule may use.

    Returns
    -------
    str
        "blanks", "good ones", "failures", "minutes", "notes" or an empty string.
    """
    good = int(cases["good"].sum())
    short = {
        "blanks": cases["lot"].nunique() < FEWEST["lots"] or len(cases) < FEWEST["reeds"],
        "good ones": good < FEWEST["of each outcome"],
        "failures": len(cases) - good < FEWEST["of each outcome"],
        "minutes": (cases[minutes] > 0).sum() < FEWEST["timed"],
        "notes": not measures,
    }
    return next((what for what, lacks in short.items() if lacks), "")


def try_rules(
    cases: pd.DataFrame,
    rules: Mapping[str, Rule],
    stakes_of: Callable[[pd.DataFrame], Stakes],
    *,
    level: float = 0.9,
    folds: int = 10,
    seed: int = 1,
) -> Tryout:
    """Try rules on lots that they have not seen.

    Parameters
    ----------
    cases : pandas.DataFrame
        One row a blank: ``lot``, ``good`` (0 or 1), and what the rules measure.
    rules : mapping of str to Rule
    stakes_of : callable
        Works out the stakes from rows.
    level, folds, seed
        As in `held_out` and `judge`.

    Returns
    -------
    Tryout
    """
    stakes, lots = stakes_of(cases), cases["lot"].nunique()
    final = fit_rules(rules, cases, stakes)
    keeps = {name: fitted.keep(cases) for name, fitted in final.items()}
    paying = {name: rule for name, rule in rules.items() if not keeps[name].all()}
    if not paying:
        return Tryout("go on", _NO_RULES, {}, _NO_LOTS, lots)
    decided = held_out(cases, paying, stakes_of, folds=folds, seed=seed)
    # A rule that is not found again without some of the lots saved nothing anywhere, and there is
    # no spread to tell how sure that is.
    decided = decided[~decided.groupby("rule")["keep"].transform("all")]
    if decided.empty:
        return Tryout("go on", _NO_RULES, {}, _NO_LOTS, lots)
    verdict = judge(decided, level=level, seed=seed)
    good = cases["good"].to_numpy()
    table = verdict.table.copy()
    table[["saving", "low", "high"]] *= 100
    table["apparent"] = [
        100 * stakes.saving(keeps[name], good, final[name].minutes).mean() for name in table.index
    ]
    table["minutes"] = [final[name].minutes for name in table.index]
    table["says"] = [final[name].sentence() for name in table.index]
    own = decided[decided["rule"] == verdict.best]
    answer = _answer(verdict, stakes)
    regret = verdict.regret_of_best if answer == "follow" else verdict.regret_of_nothing
    best = {
        **{name: 100 * getattr(verdict, name) for name in ("saving", "low", "high", "optimism")},
        "regret": 100 * regret,
        "per_saleable": stakes.per_saleable(own["good"].to_numpy() >= 0, own["good"].to_numpy()),
        "per_saleable_with_rule": stakes.per_saleable(
            own["keep"].to_numpy(), own["good"].to_numpy(), own["minutes"].mean()
        ),
    }
    by_lot = own.groupby("lot").agg(
        blanks=("good", "size"), kept=("keep", "mean"), saving=("saving", "mean")
    )
    by_lot = by_lot.assign(passed_over=1 - by_lot["kept"], saving=100 * by_lot["saving"])
    return Tryout(answer, table, best, by_lot.reset_index()[list(_NO_LOTS)], lots)


def _answer(verdict: Verdict, stakes: Stakes) -> str:
    notice = NOTICE * stakes.if_bad
    if verdict.low > 0:
        return "follow"
    if verdict.saving <= notice and verdict.high <= notice:
        return "go on"
    return "cannot tell"


_NO_LOTS = pd.DataFrame(columns=["lot", "blanks", "passed_over", "saving"])
_RATES = ["passed_over", "good_passed_over"]
_NO_RULES = pd.DataFrame(
    columns=["saving", "low", "high", *_RATES, "apparent", "minutes", "says"],
    index=pd.Index([], name="rule"),
)
