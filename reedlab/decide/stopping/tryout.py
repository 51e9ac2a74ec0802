"""Rules tried against going on with every blank, and what comes of it.

Passing over pieces before tying and giving up blanks after the rough scrape are one question at
two stages. A rule is recommended only if it likely saves on held-out lots, enough to be noticed.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from enum import Enum

import pandas as pd

from reedlab.decide.answer import LIKELY_FROM, Answer, Verdict, empty, graded
from reedlab.decide.evidence import FEWEST_TIMED
from reedlab.decide.stopping.folds import HeldOutSaving, held_out, judge
from reedlab.decide.stopping.rules import Measure, Rule, fit_rules
from reedlab.decide.stopping.stakes import Stakes

FEWEST = {"lots": 6, "reeds": 60, "of each outcome": 15, "timed": FEWEST_TIMED}
"""Below these a rule is not even tried: a fold would hold next to nothing."""

MANY_LOTS = 60
"""Lots more than a maker will work in years: an answer that needs more is not worth waiting for."""

NOTICE = 0.02
"""Savings below this share of what a failure costs are not worth a change of habit."""


class Lack(Enum):
    """Of what there is too little to try a rule, as a sentence says it of the reeds counted."""

    BLANKS = "are too few"
    GOOD_ONES = f"hold fewer than {FEWEST['of each outcome']} that turned out good, too few"
    FAILURES = f"hold fewer than {FEWEST['of each outcome']} that failed, too few"
    MINUTES = "have too few minutes noted"
    NOTES = "have too little else noted"


@dataclass(frozen=True)
class BestRule:
    """The best rule on held-out lots, corrected for having been chosen, for 100 blanks.

    Attributes
    ----------
    saving, low, high : float
        With its interval.
    optimism : float
        By how much the choice of the best flatters it.
    regret : float
        What is forgone on average by the answer.
    per_saleable, per_saleable_with_rule : float
        What a saleable reed costs from the decision's sunk costs on, without the rule and with it.
    lots : int
        Lots that it was judged on.
    """

    saving: float
    low: float
    high: float
    optimism: float
    regret: float
    per_saleable: float
    per_saleable_with_rule: float
    lots: int

    @property
    def more_lots(self) -> int:
        """Lots more, in tens, that would settle it if the saving is what it seems to be."""
        half = (self.high - self.low) / 2
        away = max(abs(self.saving), half / 3)
        return max(10 * round(self.lots * ((half / away) ** 2 - 1) / 10), 10)

    def in_words(self, unit: str, blanks: str, level: float) -> str:
        """Say what the rule saved, or that it cost more than it saved."""
        ends = f"{whole(self.low)} to {whole(self.high)}"
        if self.saving >= 0:
            return (
                f"The best rule would save {whole(self.saving)} {unit} for 100 {blanks} "
                f"({level:.0%} interval {ends})."
            )
        return (
            f"Even the best rule would have cost {whole(-self.saving)} {unit} for 100 {blanks} "
            f"more than it saved ({level:.0%} interval of the saving {ends})."
        )

    def record(self, what: str) -> str:
        """Say how many lots more to record `what` of, or that so many would never come."""
        if self.more_lots > MANY_LOTS:
            return (
                f"About {self.more_lots} more lots would settle it, which is not worth waiting "
                f"for: keep noting {what}, in case a great saving shows."
            )
        return f"Note {what} over about {self.more_lots} more lots."


def whole(value: float) -> str:
    """Write a number as a sentence holds it: whole, with a true minus sign."""
    return f"{value:.0f}".replace("-", "−")


@dataclass(frozen=True)
class Tryout:
    """What became of the rules.

    Attributes
    ----------
    follow : bool
        Whether to follow the best rule; if not, go on with every blank.
    verdict : Verdict
        Grade of `prob`.
    prob : float
        That the best rule saves enough to be noticed where it is followed, else that it does not;
        NaN where no rule expects to pay.
    rules : pandas.DataFrame
        See `Stopping.rules`.
    best : BestRule or None
        None where `rules` is empty.
    by_lot : pandas.DataFrame
        See `Stopping.by_lot`.
    """

    follow: bool
    verdict: Verdict
    prob: float
    rules: pd.DataFrame
    best: BestRule | None
    by_lot: pd.DataFrame


_RULES = (
    "saving",
    "low",
    "high",
    "passed_over",
    "good_passed_over",
    "apparent",
    "minutes",
    "says",
)
_BY_LOT = ("lot", "blanks", "passed_over", "saving")


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Stopping(Answer):
    """Whether to stop work on some blanks, as it is answered at either stage.

    Attributes
    ----------
    follow : bool
        Whether to follow the best rule; if not, go on with every blank.
    rules : pandas.DataFrame
        One row a rule that expects to pay, and that stopped some blank of a held-out lot, the best
        first, indexed by ``rule``: ``saving``, ``low``, ``high`` for 100 blanks of held-out lots;
        ``passed_over``, ``good_passed_over`` (shares); ``apparent`` (the same saving counted on the
        lots that it was learnt from, which flatters it); ``minutes`` of measuring a blank;
        ``says``.
    by_lot : pandas.DataFrame
        What the best rule saved in each lot, held out: ``lot``, ``blanks``, ``passed_over``,
        ``saving`` (for 100 blanks).
    best : BestRule or None
        The best rule's saving; None where no rule was tried or none expects to pay.
    lacks : Lack or None
        Of what there was too little to try any rule; None where rules were tried.
    stakes : Stakes or None
        What one blank gains or loses; None where no rule was tried.
    reeds, lots : int
        How many the answer rests on.
    worth : str
        Says what a saleable reed is counted at; empty where no rule was tried.
    """

    follow: bool = False
    rules: pd.DataFrame = empty(*_RULES, index="rule")
    by_lot: pd.DataFrame = empty(*_BY_LOT)
    best: BestRule | None = None
    lacks: Lack | None = None
    stakes: Stakes | None = None
    reeds: int = 0
    lots: int = 0
    worth: str = ""


def what_to_record(lacks: Lack, blanks: str) -> str:
    """Say what to record where there is too little to try a rule; `blanks` where it is notes."""
    if lacks is Lack.MINUTES:
        return "Note the minutes of every reed or sitting."
    if lacks in (Lack.GOOD_ONES, Lack.FAILURES):
        return "Go on recording what becomes of each."
    return blanks


def lots_needed(lots: int) -> int:
    """Return how many lots more to record before a rule is tried, four at the least."""
    return max(FEWEST["lots"] - lots, 4)


def lacking(cases: pd.DataFrame, minutes: str, measures: Collection[Measure]) -> Lack | None:
    """Return of what there is too little to try a rule on; None where there is enough.

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
    Lack or None
    """
    good = int(cases["good"].sum())
    short = {
        Lack.BLANKS: cases["lot"].nunique() < FEWEST["lots"] or len(cases) < FEWEST["reeds"],
        Lack.GOOD_ONES: good < FEWEST["of each outcome"],
        Lack.FAILURES: len(cases) - good < FEWEST["of each outcome"],
        Lack.MINUTES: (cases[minutes] > 0).sum() < FEWEST["timed"],
        Lack.NOTES: not measures,
    }
    return next((what for what, lacks in short.items() if lacks), None)


def try_rules(
    cases: pd.DataFrame,
    rules: Mapping[str, Rule],
    stakes_of: Callable[[pd.DataFrame], Stakes],
    *,
    level: float = 0.9,
    folds: int = 10,
    seed: int = 1,
) -> Tryout:
    """Try rules on held-out lots.

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
    stakes = stakes_of(cases)
    final = fit_rules(rules, cases, stakes)
    keeps = {name: fitted.keep(cases) for name, fitted in final.items()}
    paying = {name: rule for name, rule in rules.items() if not keeps[name].all()}
    if not paying:
        return _NONE_PAYS
    decided = held_out(cases, paying, stakes_of, folds=folds, seed=seed)
    # A rule that is not found again without some of the lots saved nothing anywhere, and there is
    # no spread to say how sure that is.
    decided = decided[~decided.groupby("rule")["keep"].transform("all")]
    if decided.empty:
        return _NONE_PAYS
    found = judge(decided, level=level, seed=seed)
    good = cases["good"].to_numpy()
    table = found.table.copy()
    table[["saving", "low", "high"]] *= 100
    table["apparent"] = [
        100 * stakes.saving(keeps[name], good, final[name].minutes).mean() for name in table.index
    ]
    table["minutes"] = [final[name].minutes for name in table.index]
    table["says"] = [final[name].sentence() for name in table.index]
    own = decided[decided["rule"] == found.best]
    follow, verdict, prob = _decision(found, NOTICE * stakes.if_bad)
    best = BestRule(
        **{name: 100 * getattr(found, name) for name in ("saving", "low", "high", "optimism")},
        regret=100 * (found.regret_of_best if follow else found.regret_of_nothing),
        per_saleable=stakes.per_saleable(own["good"].to_numpy() >= 0, own["good"].to_numpy()),
        per_saleable_with_rule=stakes.per_saleable(
            own["keep"].to_numpy(), own["good"].to_numpy(), own["minutes"].mean()
        ),
        lots=cases["lot"].nunique(),
    )
    by_lot = own.groupby("lot").agg(
        blanks=("good", "size"), kept=("keep", "mean"), saving=("saving", "mean")
    )
    by_lot = by_lot.assign(passed_over=1 - by_lot["kept"], saving=100 * by_lot["saving"])
    by_lot = by_lot.reset_index()[list(_BY_LOT)]
    return Tryout(follow, verdict, prob, table, best, by_lot)


def _decision(found: HeldOutSaving, notice: float) -> tuple[bool, Verdict, float]:
    """Return whether to follow the best rule, how sure that is, and with which probability."""
    noticed = float((found.resampled > notice).mean())
    if noticed >= LIKELY_FROM and found.saving > notice:
        return True, graded(noticed), noticed
    return False, graded(1 - noticed), 1 - noticed


_NONE_PAYS = Tryout(
    follow=False,
    verdict=Verdict.SURE,
    prob=float("nan"),
    rules=pd.DataFrame(columns=list(_RULES), index=pd.Index([], name="rule")),
    best=None,
    by_lot=pd.DataFrame(columns=list(_BY_LOT)),
)
