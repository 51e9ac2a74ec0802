"""Plain counts of what the records hold, and what is missing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reedlab.decide.evidence import count
from reedlab.decide.losses_by_stage import Losses
from reedlab.elementary import with_wilson
from reedlab.report.words.numbers import percent
from reedlab.report.words.sentences import severities

if TYPE_CHECKING:
    from reedlab.records import Bench

BONUS = {  # what a question needs beyond the columns that must be there
    "scrape_min": "what a good reed costs",
    "rh_pct": "what the season does",
    "gouge_centre_mm": "how to set the gouge",
    "density_g_cm3": "which pieces to pass over",
    "hardness": "which pieces to pass over",
    "opening": "which blanks to give up early",
    "crow": "which blanks to give up early",
    "lost_at": "where reeds are lost",
    "sold_for": "what an hour at the bench earns",
}


def shares_by(frame: pd.DataFrame, by: str, outcome: str) -> pd.DataFrame:
    """Count an outcome of 1 and 0 by group, with its 95 % Wilson interval.

    Reeds of one lot are alike, so an interval that takes them one by one is too narrow for a
    statement about the next lot: this is a description of the records, not an inference.

    Parameters
    ----------
    frame : pandas.DataFrame
        One row a trial; rows without an outcome are left out.
    by, outcome : str
        The grouping column, and a column of 1, 0 or missing.

    Returns
    -------
    pandas.DataFrame
        The group, ``known``, ``hits``, ``share``, ``low``, ``high``.

    Examples
    --------
    >>> reeds = pd.DataFrame({"season": ["winter"] * 4, "success": [1.0, 1.0, 0.0, None]})
    >>> print(shares_by(reeds, "season", "success").round(2).to_string(index=False))
    season  known  hits  share  low  high
    winter      3     2   0.67 0.21  0.94
    """
    known = frame.dropna(subset=[outcome])
    counted = known.groupby(by, observed=True)[outcome].agg(known="size", hits="sum")
    return with_wilson(counted.reset_index().astype({"hits": int}), "hits", "known")


def recorded(reeds: pd.DataFrame) -> pd.DataFrame:
    """Say for what part of the reeds each column of `BONUS` is known, and which question needs it.

    Parameters
    ----------
    reeds : pandas.DataFrame
        ``bench.reeds``; each column is counted over the reeds it can be known for (``lost_at``
        over failures, ``sold_for`` over successes).

    Returns
    -------
    pandas.DataFrame
        ``column``, ``known``, ``of``, ``share``, ``needed_for``; the least known first.
    """
    over = {"lost_at": "failure", "sold_for": "success"}
    rows = []
    for column, question in BONUS.items():
        asked = reeds[reeds["status"] == over[column]] if column in over else reeds
        rows.append((column, int(asked[column].notna().sum()), len(asked), question))
    frame = pd.DataFrame(rows, columns=["column", "known", "of", "needed_for"])
    frame.insert(3, "share", frame["known"] / frame["of"])
    return frame.sort_values("share", kind="stable", ignore_index=True)


def held(bench: Bench) -> pd.DataFrame:
    """Count the rows of each table, and name the first and last day it speaks of.

    Parameters
    ----------
    bench : Bench
        An open bench.

    Returns
    -------
    pandas.DataFrame
        ``table``, ``rows``, ``from``, ``to``; tables that are not kept are left out.
    """
    # A piece or lot that a row of reeds describes is no row of a table that is kept.
    own = {name: frame[frame.index > 0] for name, frame in bench.tables.items()}
    kept = {name: frame for name, frame in own.items() if len(frame)}
    days = {name: frame.select_dtypes("datetime").stack() for name, frame in kept.items()}
    return pd.DataFrame(
        {
            "table": list(days),
            "rows": [len(kept[name]) for name in days],
            "from": [day.min() if len(day) else pd.NaT for day in days.values()],
            "to": [day.max() if len(day) else pd.NaT for day in days.values()],
        }
    )


def findings_by_table(findings: pd.DataFrame) -> pd.DataFrame:
    """Count errors and warnings by table.

    Parameters
    ----------
    findings : pandas.DataFrame
        ``bench.findings``.

    Returns
    -------
    pandas.DataFrame
        ``table``, ``errors``, ``warnings``, and a last row for all tables.
    """
    parts = [*findings.groupby("table", sort=False, observed=True), ("all tables", findings)]
    rows = [(table, *severities(part).values()) for table, part in parts]
    return pd.DataFrame(rows, columns=["table", "errors", "warnings"])


def records_sentence(reeds: pd.DataFrame, lost: Losses, known: pd.DataFrame) -> str:
    """Say in a few sentences what the records hold, where reeds are lost and what to note next.

    Parameters
    ----------
    reeds : pandas.DataFrame
        ``bench.reeds``.
    lost : Losses
        The answer of `reedlab.losses`.
    known : pandas.DataFrame
        What `recorded` gave.
    """
    if reeds.empty:
        return (
            "No reed is recorded yet: fill in reed, lot and tied_on of each one, and its outcome "
            "once it is known."
        )
    status = reeds.loc[reeds["settled"], "status"]
    good, failed = (int((status == name).sum()) for name in ("success", "failure"))
    pending = int((reeds["status"] == "pending").sum())
    said = [
        f"Of {count(good + failed, 'reed')} with an outcome and tied long enough ago to be judged, "
        f"{good} turned out well ({percent(good / (good + failed))})"
        if good + failed
        else "No reed has an outcome that was tied long enough ago to be judged",
        f"; {count(pending, 'reed')} of all {len(reeds):,} {'is' if pending == 1 else 'are'} "
        "still pending.",
    ]
    if lost.worst:
        worst = lost.table.set_index("stage").loc[lost.worst, ["lost", "tied"]].astype(int)
        said.append(
            f" The stage that loses most is '{lost.worst}', with {worst['lost']} of "
            f"{worst['tied']}."
        )
    elif failed:
        said.append(" Where reeds are lost is not noted: fill in lost_at of those that failed.")
    least = known.iloc[0]
    if least["share"] < 1:
        what = {"scrape_min": "rough_min and finish_min"}.get(least["column"], least["column"])
        said.append(
            f" Least is known of {what} ({percent(least['share'])} of the reeds that could have "
            f"it): note it if you want to know {least['needed_for']}."
        )
    return "".join(said)
