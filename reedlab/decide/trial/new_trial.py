"""A trial planned: its sheets written, and how many blanks it takes to see what would matter."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from reedlab.decide.answer import Answer, empty
from reedlab.decide.trial.blanks import Plan, Usual, number_needed, usual
from reedlab.decide.trial.sheets import write_trial


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class TrialPlan(Answer):
    """What a trial compares and how many blanks it takes; see `Answer` for the rest of it.

    Attributes
    ----------
    table : pandas.DataFrame
        As `number_needed` gives it.
    plan : Plan
        What the trial compares.
    usual : Usual or None
        What the records let it expect; none without records.
    """

    table: pd.DataFrame = empty("difference", "blanks_needed", "detectable", index="measure")
    plan: Plan
    usual: Usual | None = None

    def _sentence(self) -> str:
        plan, needed, said = self.plan, self.table["blanks_needed"], ""
        if self.usual:
            said = (
                f"By your records {self.usual.success:.0%} of the blanks of a lot of "
                f"{self.usual.of} turn out good ({self.level:.0%} interval {self.usual.low:.0%} to "
                f"{self.usual.high:.0%}: lots differ). "
            )
        least = self.table.loc["success", "detectable"]
        these = (
            "might miss it even if every blank of one setting were good"
            if math.isnan(least)
            else f"detect one of {100 * least:.0f} points or more"
        )
        points = 100 * min(plan.success_difference, 1 - plan.usual_success)
        return (
            f"{said}A difference of {points:.0f} points in good reeds takes about "
            f"{needed['success']:,} blanks, one of {plan.minutes_ratio - 1:.0%} in minutes "
            f"{needed['minutes']:,}; these {plan.blanks} {these}. Trials of further lots can be "
            "read together with this one."
        )


def plan(
    lot: str,
    settings: tuple[str, str],
    folder: str | Path | None = None,
    *,
    blanks: int = 20,
    usual_success: float | None = None,
    success_difference: float = 0.2,
    bench: Any = None,
    seed: int = 1,
) -> TrialPlan:
    """Plan a trial of two settings on blanks of one lot, and write its sheets.

    Parameters
    ----------
    lot : str
        The one lot that every blank comes from.
    settings : tuple of str
        The two settings, in the maker's words.
    folder : path, optional
        Where to write the sheets: a folder that does not exist yet. Nothing is written without it.
    blanks : int
        Even, ten or more.
    usual_success : float, optional
        Share of blanks that turn out good today, 0 to 1; from the records if not given, 0.6
        without records.
    success_difference : float
        The smallest difference in that share that would matter, 0 to 1.
    bench : Bench, optional
        The records, to read from them what is usual.
    seed : int
        Of the random order.

    Returns
    -------
    TrialPlan

    Raises
    ------
    DecisionError
        When the plan is impossible, or the records cannot say what is usual.
    WriteError
        When the folder exists or cannot be made.

    Examples
    --------
    >>> import reedlab as rl
    >>> rl.trial.plan("L07", ("tip 0.10 mm", "tip 0.12 mm")).table["blanks_needed"].tolist()
    [162, 106]
    """
    share = 0.6 if usual_success is None else usual_success
    planned = Plan(lot, settings, blanks, seed, share, success_difference)
    expected: Usual | None = None
    notes: tuple[str, ...] = ()
    if bench is not None:
        expected = usual(bench, lot)
        planned = replace(
            planned,
            usual_success=expected.success if usual_success is None else usual_success,
            log_minutes_sd=expected.log_minutes_sd or planned.log_minutes_sd,
        )
        if lot not in set(bench.tables["lots"]["lot"]):
            notes = (f"No lot of your records is called {lot}, so the estimate is from all lots.",)
    if folder is not None:
        write_trial(planned, folder)
    return TrialPlan(table=number_needed(planned), notes=notes, plan=planned, usual=expected)
