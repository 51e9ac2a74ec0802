"""One line each on the first page: season, sorting, giving up, pupils."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from reedlab.decide.answer import Verdict, graded
from reedlab.decide.evidence import listed
from reedlab.decide.makers import ACTS

if TYPE_CHECKING:
    from reedlab.decide.conditions.season_effects import Seasons
    from reedlab.decide.makers import Makers
    from reedlab.decide.stopping.after_roughing import GivingUp
    from reedlab.decide.stopping.before_tying import PassingOver
    from reedlab.decide.today import Today

MOST_UNSURE = 2
"""Lines that may end in "cannot say yet"; the others are named together."""


@dataclass(frozen=True)
class Line:
    """What one answer says on the first page; `says` is empty where it has nothing to say."""

    name: str
    says: str = ""
    unsure: bool = False


def short_lines(
    day: Today, season: Seasons, sorting: PassingOver, stopping: GivingUp, pupils: Makers
) -> tuple[tuple[Line, ...], str]:
    """Say each answer in a line, and name in one sentence those with nothing to say.

    At most `MOST_UNSURE` of the lines are unsure; the sentence is empty where there is none to
    name.
    """
    every = [_season(day, season), _sorting(sorting), _stopping(stopping)]
    if len(pupils.table) != 1:  # a maker alone has nobody to be compared with
        every.append(_pupils(pupils))
    room = MOST_UNSURE
    said: list[Line] = []
    silent: list[Line] = []
    for line in every:
        room -= line.unsure
        shown = bool(line.says) and (not line.unsure or room >= 0)
        (said if shown else silent).append(line)
    names = [line.name.lower() for line in silent]
    return tuple(said), f"Not enough reeds yet for {listed(names)}." if names else ""


def _grade(verdict: Verdict) -> str:
    return "cannot say yet" if verdict is Verdict.CANNOT_SAY else verdict.value


def _season(day: Today, answer: Seasons) -> Line:
    """Say the surest difference, and the setting that is usual in today's air."""
    setting = f"{day.room[:1].upper()}{day.room[1:]}." if "heart" in day.room else ""
    if answer.unanswered:
        return Line("Season", setting)
    unsure = answer.verdict is Verdict.CANNOT_SAY
    surest = str(answer.claims["statement"].iloc[0]).removesuffix(".")
    though = "" if unsure else "If you scrape otherwise then, that is part of it."
    says = f"{surest}: {_grade(answer.verdict)}.", though, setting
    return Line("Season", " ".join(filter(None, says)), unsure)


def _sorting(answer: PassingOver) -> Line:
    if answer.unanswered:
        return Line("Sorting")
    best, unsure = answer.best, answer.verdict is Verdict.CANNOT_SAY
    if answer.follow and best is not None:
        return Line(
            "Sorting",
            f"Pass over pieces with {answer.rules['says'].iloc[0]} ({_grade(answer.verdict)}). "
            f"It saves {answer.saved(best)}.",
            unsure,
        )
    most = float(answer.table["could_save"].max())
    could = f" Sorting them could save at most about {most:.0f} {answer.unit} on 100 pieces."
    return Line(
        "Sorting",
        f"Tie every piece ({_grade(answer.verdict)}).{could if most >= 1 else ''}",
        unsure,
    )


def _stopping(answer: GivingUp) -> Line:
    """Say whether a blank with the worst sign is still worth finishing."""
    if answer.unanswered:
        return Line("Giving up")
    best, pays = answer.best, answer.stakes.threshold if answer.stakes else None
    if answer.follow and best is not None:
        return Line(
            "Giving up",
            f"Give up blanks with {answer.rules['says'].iloc[0]} "
            f"({_grade(answer.verdict)}). It saves {answer.saved(best)}.",
        )
    if answer.table.empty or pays is None:
        return Line("Giving up", f"Finish every blank ({_grade(answer.verdict)}).",
                    answer.verdict is Verdict.CANNOT_SAY)  # fmt: skip
    worst = answer.table.loc[answer.table["good"].idxmin()]
    grade = graded(worst["pays"])
    counts = (
        f"About {100 * worst['good']:.0f} in 100 of those still turn out good "
        f"({100 * worst['low']:.0f} to {100 * worst['high']:.0f}); about {100 * pays:.0f} would "
        "pay for the work."
    )
    sign = f"{worst['sign'][:1].upper()}{worst['sign'][1:]}"
    if grade is Verdict.CANNOT_SAY:
        return Line("Giving up", f"{sign}: worth finishing? Cannot say yet. {counts}", True)
    sure = "Worth finishing (sure)" if grade is Verdict.SURE else "Likely worth finishing"
    return Line(
        "Giving up",
        f"{sign} is no reason to stop. {counts} {sure}, unless it is cracked or leaks.",
    )


def _pupils(answer: Makers) -> Line:
    said = "; ".join(_behind(answer))
    return Line("Pupils", f"{said}." if said else "")


def _behind(answer: Makers) -> Iterator[str]:
    """Name for each maker who has one the stage that stands out; her own page may name another."""
    chosen = answer.table[["maker", "practise"]].rename(columns={"practise": "stage"})
    for row in chosen.merge(answer.stages, on=["maker", "stage"]).itertuples():
        more = f"{100 * row.more:.0f} in 100 more at {ACTS[row.stage]} than the others"
        yield f"{row.maker} loses {more} ({_grade_of(row.worse)})"


def _grade_of(probability: float) -> str:
    return _grade(graded(probability))
