"""Say of blanks that wait too long whether they are still there or were thrown away."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

import pandas as pd

from reedlab.errors import RecordError
from reedlab.records.entries import note


def note_waiting(bench: Any, still_here: Sequence[str], thrown_away: Sequence[str]) -> None:
    """Note of blanks without an outcome, as entries; the maker's own files stay as they are.

    A blank that was thrown away is given up, its stage and day unknown; one that is still there was
    seen today. Raises RecordError for a label that is no blank's, or that is in both.
    """
    if bench.path is None or not bench.path.is_dir():
        raise RecordError("entries are kept in a bench's folder: give the folder, not a workbook.")
    reeds = bench.tables["reeds"]
    waiting = set(reeds.loc[reeds["outcome"].isna(), "reed"].dropna().astype(str))
    for label in (*still_here, *thrown_away):
        if label not in waiting:
            raise RecordError(
                f"{label!r} is not the label of a blank without an outcome: write it as your "
                "records have it."
            )
    if both := sorted({*still_here} & {*thrown_away}):
        raise RecordError(f"{both[0]!r} cannot be both still here and thrown away.")
    now = f"{dt.datetime.now():%Y-%m-%d %H:%M}"
    rows = [
        *({"reed": label, "seen_on": f"{bench.today}"} for label in still_here),
        *({"reed": label, "outcome": "given_up"} for label in thrown_away),
    ]
    note(bench.path, "reeds", pd.DataFrame(rows).assign(noted_at=now))
