"""Which blanks to stop, as it is asked, answered and said at either stage of the work.

Passing over pieces before tying and giving up blanks after the rough scrape are one question at two
stages: `decide` tries the rules, grades what comes of them and says it; what a stage knows of its
blanks, what stopping one saves, and its words are the stage's own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
import pandas as pd

from reedlab.decide.answer import (
    About,
    Answer,
    RecordNext,
    Verdict,
    claims_frame,
    empty,
    graded,
)
from reedlab.decide.evidence import count, pieces_a_year
from reedlab.decide.stopping.break_even import Stakes
from reedlab.decide.stopping.rules import Measure, Signs
from reedlab.decide.stopping.tryout import (
    BY_LOT,
    FEWEST,
    RULES,
    BestRule,
    Lack,
    Tryout,
    lacking,
    slopes_alone,
    try_rules,
)

MANY_LOTS = 60
"""Lots more than a maker will work in years: an answer that needs more is not worth waiting for."""


@dataclass(frozen=True)
class Stage:
    """The words of one stage."""

    stop: str  # stop, stopping: what a rule does: "give up", "giving up"
    stopping: str
    blanks: str  # what it does that with, in the plural
    go_on: str  # what to do without a rule, in the imperative
    counted: str  # one of those that the answer rests on
    notes: str  # what to go on noting of each
    # what to record where there is too little of it to try a rule; ``{lots}`` is for how many
    first: str
    timing: str  # what to note where too few minutes are known
    about: About  # what its advice is about
    settled: RecordNext | None = None  # what to do where no rule pays


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
        lots that it was learnt from, which flatters it); ``minutes`` of measuring a blank; ``says``
        (which blanks it stops, as it follows the word with).
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
    a_month : float
        Such blanks in a month; missing where the reeds have no dates.
    unit : str
        Of the stakes and of every saving: a currency, or minutes.
    worth : str
        Says what a saleable reed is counted at; empty where no rule was tried.
    """

    stage: ClassVar[Stage]
    follow: bool = False
    rules: pd.DataFrame = empty(*RULES, index="rule")
    by_lot: pd.DataFrame = empty(*BY_LOT)
    best: BestRule | None = None
    lacks: Lack | None = None
    stakes: Stakes | None = None
    reeds: int = 0
    lots: int = 0
    a_month: float = float("nan")
    unit: str = ""
    worth: str = ""

    def _sentence(self) -> str:
        rests_on = f"From {_counted(self.stage, self.reeds, self.lots)}."
        return " ".join(filter(None, (self._found(), rests_on, self.worth)))

    def _found(self) -> str:
        words, best = self.stage, self.best
        likely = "likely " if self.verdict is Verdict.LIKELY else ""
        if best is None and self.verdict is Verdict.CANNOT_SAY:
            return f"{words.go_on} for now: no sign is seen to pay, but one still might."
        if best is None:
            return f"{words.go_on}: {likely}no sign marks those that do not pay."
        sign, saved = self.rules["says"].iloc[0], self.saved(best)
        if self.follow:
            return (
                f"{words.stop.capitalize()} {words.blanks} with {sign}: that {likely}saves {saved}."
            )
        rule = f"{words.stopping} those with {sign}"
        if self.verdict is Verdict.CANNOT_SAY:
            would = "would save" if best.saving >= 0 else "would cost"
            return (
                f"{words.go_on} for now: it is too close to call. {rule.capitalize()} {would} "
                f"{saved}."
            )
        saves = "saves" if best.saving >= 0 else "costs"
        return f"{words.go_on}: {rule} {likely}is not worth it. It {saves} {saved}."

    def saved(self, best: BestRule) -> str:
        """Say a saving, or a cost, with its range: a month's, where the reeds have dates."""
        dated = np.isfinite(self.a_month)
        times = self.a_month / 100 if dated else 1.0
        low, high = (times * end for end in (best.low, best.high))
        period = "a month" if dated else f"for 100 {self.stage.blanks}"
        amount = f"about {abs(times * best.saving):,.0f} {self.unit} {period}"
        if best.saving < 0:
            low, high = -high, -low
        return f"{amount} ({ends(low, high, 'saved' if best.saving >= 0 else 'lost')})"


def ends(low: float, high: float, what: str) -> str:
    """Write the range of a saving, or of what is lost, in words that need no sign.

    Examples
    --------
    >>> ends(-40.0, 71.0, "saved"), ends(3.0, 9.0, "lost")
    ('from 40 lost to 71 saved', '3 to 9')
    """
    other = {"saved": "lost", "lost": "saved"}[what]
    if low < -0.5:
        return f"from {-low:,.0f} {other} to {high:,.0f} {what}"
    return f"{max(low, 0.0):,.0f} to {high:,.0f}"


def _counted(stage: Stage, reeds: int, lots: int) -> str:
    return f"{count(reeds, stage.counted)} of {count(lots, 'lot')}"


def decide(
    stage: Stage,
    cases: pd.DataFrame,
    measures: tuple[Measure, ...],
    minutes: str,
    counted: Callable[[pd.DataFrame], tuple[Stakes, str]],
    made: pd.DataFrame,
    compared: pd.DataFrame,
    *,
    unit: str,
    level: float,
    seed: int,
) -> dict[str, Any]:
    """Try rules on the blanks of one stage, and grade what comes of it: give fields of `Stopping`.

    `cases` has a row a blank: ``lot``, ``good`` (0 or 1), the measures' columns and that of
    `minutes`, which stopping a blank saves. `counted` works out the stakes from rows, and says what
    a saleable reed is counted at. `made` is every such blank, for how many there are in a month;
    `compared` are the `cases`, or the same with the measures within lots, for ``slopes``, which
    come along where rules were tried (see `slopes_alone`).
    """
    lots = cases["lot"].nunique()
    fields: dict[str, Any] = {"reeds": len(cases), "lots": lots, "level": level}
    lacks = lacking(cases, minutes, measures)
    if lacks is not None:
        return fields | {
            "unanswered": f"{stage.go_on}: {_counted(stage, len(cases), lots)} {lacks.value} to "
            f"say which to {stage.stop}.",
            "record_next": _what_to_record(stage, lacks, lots),
            "lacks": lacks,
        }
    stakes, worth = counted(cases)
    rules = {"one sign": Signs(measures), "signs together": Signs(measures, together=2)}
    tried = try_rules(cases, rules, lambda rows: counted(rows)[0], level=level, seed=seed)
    slopes = slopes_alone(compared, measures, stakes, level)
    dated = made["tied_on"].notna().any()
    return fields | {
        "claims": claims_frame([_claim(stage, tried, slopes, stakes)]),
        "record_next": _record(stage, tried, slopes, pieces_a_year(made) / 100, unit),
        "follow": tried.follow,
        "rules": tried.rules,
        "by_lot": tried.by_lot,
        "best": tried.best,
        "stakes": stakes,
        "a_month": pieces_a_year(made) / 12 if dated else float("nan"),
        "worth": worth,
        "slopes": slopes,
    }


def _none_pays(slopes: pd.DataFrame) -> float:
    """Probability that no measure alone pays, were their slopes independent."""
    return float(np.prod(1.0 - slopes["pays"]))


def _claim(
    stage: Stage, tried: Tryout, slopes: pd.DataFrame, stakes: Stakes
) -> tuple[str, float, Verdict, float, bool]:
    """Return the statement that decides, its probability, its grade and the saving at stake."""
    none = f"no rule for {stage.stopping} {stage.blanks} saves enough to be noticed"
    if tried.best is None:
        most, prob = float(slopes["could_save"].max()), _none_pays(slopes)
        return none, prob, graded(prob), most, bool(most > 100 * stakes.notice)
    size = tried.best.saving
    says = f"{stage.stopping} {stage.blanks} by the best rule saves on new lots"
    if not tried.follow and tried.verdict is not Verdict.CANNOT_SAY:
        says = none
    return says, tried.prob, tried.verdict, size, bool(size > 100 * stakes.notice)


def _record(
    stage: Stage, tried: Tryout, slopes: pd.DataFrame, hundreds_a_year: float, unit: str
) -> RecordNext | None:
    """Say what to record where the records cannot say, and for how long."""
    if tried.best is None:
        if graded(_none_pays(slopes)) is not Verdict.CANNOT_SAY:
            return stage.settled
        most = slopes.loc[slopes["pays"].idxmax()]
        return RecordNext(
            f"Note {most['measure'].split(' (')[0]} on some more lots, of every one of the "
            f"{stage.blanks}.",
            float(most["expected"]) * hundreds_a_year,
            unit,
            stage.about,
            how=f"What {stage.stopping} those with that sign would save on the {stage.blanks} of a "
            "year, if it were known to pay.",
        )
    if tried.verdict is not Verdict.CANNOT_SAY:
        return None if tried.follow else stage.settled
    more = tried.best.more_lots
    what = f"Note {stage.notes} over about {more} more lots."
    if more > MANY_LOTS:
        what = (
            f"About {more} more lots would settle it, which is not worth waiting for: keep noting "
            f"{stage.notes}, in case a great saving shows."
        )
    worth = tried.best.regret * hundreds_a_year
    how = f"What it would bring on a year's {stage.blanks} to know whether {stage.stopping} pays."
    return RecordNext(what, worth, unit, stage.about, more=more <= MANY_LOTS, how=how)


def _what_to_record(stage: Stage, lacks: Lack, lots: int) -> RecordNext:
    """Say what to record where there is too little to try a rule."""
    if lacks is Lack.MINUTES:
        return RecordNext(stage.timing, about=About.MINUTES)
    if lacks in (Lack.GOOD_ONES, Lack.FAILURES):
        return RecordNext("Go on recording what becomes of each.", about=About.ENDS)
    what = stage.first.format(lots=max(FEWEST["lots"] - lots, 4))
    return RecordNext(what, about=stage.about)
