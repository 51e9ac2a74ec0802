"""From the rows of the sheets to the reeds that an answer uses: each step, its count, its reasons.

Every page counts from here, so that two of them never speak of different numbers.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import pandas as pd

from reedlab.records.tables import in_words
from reedlab.records.tidy.frames import of_no_supplier

STEPS = ("rows in the sheets", "reeds", "judged", "usable", "used here")
_TIED_LATE = ("was tied too late to judge fairly", "were tied too late to judge fairly")
_NOT_FOR_SALE = ("was made for practice", "were made for practice")
_NOT_A_REED = {  # reasons of `Bench.skipped`
    "repeated heading": ("repeats the headings", "repeat the headings"),
    "other headings": ("has other headings", "have other headings"),
    "label alone": ("has a label alone", "have a label alone"),
    "note alone": ("has a note alone", "have notes alone"),
    "batch in words": ("is a whole batch in one cell", "are whole batches in one cell"),
    "batch": ("is a batch that does not add up", "are batches that do not add up"),
}
Reasons = Counter[tuple[str, str]]
"""How many rows or reeds are left out for what: the reason said of one, and of several."""


def flow(bench: Any, *needed: str, settled: bool = True) -> pd.DataFrame:
    """Follow the rows of a bench's sheets to the reeds that an answer uses.

    A reed is judged once its outcome is known. It is usable with its lot, the lot's supplier
    (unless the bench names none), its day of tying and the columns `needed`, such as ``"form"``. It
    is used if reeds tied as late as it mostly have their outcome: `Bench.cutoff` says until when;
    not `settled`, later ones are too.

    One row for each of `STEPS`: step, reeds (of the first: rows), and reason (why others of the
    step before are left out, each reed counted once; empty where none is).
    """
    sheet, reeds = bench.tables["reeds"], bench.reeds
    skipped = bench.skipped
    skipped = skipped[(skipped["table"] == "reeds") & (skipped["reason"] != "empty")]
    rows = sheet.index.nunique() + skipped["row"].nunique()
    not_reeds: Reasons = Counter()
    for reason, n in skipped["reason"].value_counts(sort=False).items():
        not_reeds[_NOT_A_REED.get(str(reason), _such(str(reason)))] = int(n)
    again = len(sheet) - len(reeds)
    not_reeds["has the label of an earlier row", "have the label of an earlier row"] = again
    in_batches = sheet.index[sheet.index.duplicated(keep=False)]
    of = f"of {len(in_batches):,} reeds"
    not_reeds[f"is a batch {of}", f"are batches {of}"] = in_batches.nunique()
    steps: list[tuple[int, Reasons]] = [(rows, Counter()), (len(reeds), not_reeds)]

    known = reeds["success"].notna()
    unread = reeds["status"].isna()
    judging = {
        ("has no outcome yet", "have no outcome yet"): ~known & ~unread,
        ("has an outcome that cannot be read", "have outcomes that cannot be read"): unread,
    }
    using = {
        _without("lot"): reeds["lot"].isna(),
        _without("supplier"): of_no_supplier(reeds),
        _without("day"): reeds["tied_on"].isna(),
    }
    here = {_without(in_words(name)): reeds[name].isna() for name in needed}
    here[_NOT_FOR_SALE] = reeds["for_sale"].eq(False).fillna(False)
    left = pd.Series(True, index=reeds.index)
    late = {_TIED_LATE: ~reeds["settled"]} if settled else {}
    for reasons in (judging, using, {**here, **late}):
        left = _step(steps, left, reasons)
    return pd.DataFrame(
        {
            "step": STEPS,
            "reeds": [n for n, _ in steps],
            "reason": [_said(reasons) for _, reasons in steps],
        }
    )


def _such(reason: str) -> tuple[str, str]:
    return f"is {'an' if reason[0] in 'aeiou' else 'a'} {reason}", f"are {reason}s"


def _without(what: str) -> tuple[str, str]:
    return f"has no {what}", f"have no {what}"


def _step(
    steps: list[tuple[int, Reasons]], left: pd.Series, why: dict[tuple[str, str], pd.Series]
) -> pd.Series:
    """Leave out reeds, each for its first reason, add the step, and say which are left."""
    reasons: Reasons = Counter()
    for reason, applies in why.items():
        reasons[reason] = int((left & applies).sum())
        left = left & ~applies
    steps.append((int(left.sum()), reasons))
    return left


def _said(reasons: Reasons) -> str:
    """Write reasons with their counts, the commonest first."""
    return ", ".join(f"{n:,} {says[n != 1]}" for says, n in reasons.most_common() if n)


def sentence(steps: pd.DataFrame) -> str:
    """Say a flow in words: how many judged reeds are used, and why not the others.

    Parameters
    ----------
    steps : pandas.DataFrame
        From `flow`.

    Examples
    --------
    >>> reasons = ["", "", "", "53 have no lot, 3 have no day", ""]
    >>> counts = [84, 84, 84, 28, 28]
    >>> sentence(pd.DataFrame({"step": STEPS, "reeds": counts, "reason": reasons}))
    '28 of your 84 judged reeds could be used: 53 have no lot, 3 have no day.'
    """
    count = dict(zip(steps["step"], steps["reeds"]))
    why = dict(zip(steps["step"], steps["reason"]))
    rows, reeds, judged, _, used = (count[step] for step in STEPS)
    said = []
    if judged:
        reasons = ", ".join(filter(None, [why["usable"], why["used here"]]))
        whole = "Your one judged reed" if judged == 1 else f"All your {judged:,} judged reeds"
        said.append(
            f"{used:,} of your {judged:,} judged reeds could be used: {reasons}."
            if reasons
            else f"{whole} could be used."
        )
    if why["judged"]:
        said.append(f"Of {reeds:,} reed{'s' * (reeds != 1)}, {why['judged']}.")
    if why["reeds"]:
        said.append(f"Of {rows:,} rows, {why['reeds']}.")
    return " ".join(said) or "No reed is recorded yet."
