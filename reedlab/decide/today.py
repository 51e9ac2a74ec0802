"""What there is to do today: blanks by their next step, orders, overdue blanks, cane, the air."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pandas as pd

from reedlab.decide.answer import Answer, CannotAnswer, RecordNext, empty, question
from reedlab.decide.evidence import count, listed
from reedlab.decide.orders.blanks_in_progress import blanks
from reedlab.decide.orders.planning import Orders, cane_left, order

GROUPS = {"finish": "FINISH", "rough": "ROUGH", "play": "PLAY", "": "TIED"}
"""The group of blanks with each next step, the most pressing work first."""
_GROUPED = {"WAITING": "waiting: ", "CANE": "cane: "}
_DONE = {"tie": "tied", "rough": "roughed", "finish": "finished"}
_MOST_LINES = 12
_FRESH_DAYS = 2
"""A reading of the air older than this says nothing of today."""
_LIKE_TODAY_PCT, _FEWEST = 5.0, 5
"""Humidity within which a day is like today, and reeds roughed on such days to name a setting."""


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Today(Answer):
    """What there is to do today; see `Answer` for the rest of it.

    Attributes
    ----------
    table
        At most twelve rows, one a line: ``group`` (FINISH, ROUGH, PLAY, TIED, ORDERS, WAITING,
        CANE), ``what``, ``since`` (when the blanks' last step was), ``places`` (in the drying
        board), ``reeds`` (their labels).
    room
        The humidity and the setting that was usual at it; ``""`` without a reading.
    """

    table: pd.DataFrame = empty("group", "what", "since", "places", "reeds")
    room: str = ""

    def lines(self) -> list[str]:
        """Write the table line by line, groups in the first column."""
        frame = self.table
        wide = frame["group"].str.len().max()
        what = frame.loc[frame["since"] != "", "what"].str.len().max()
        since = frame.loc[frame["places"] != "", "since"].str.len().max()
        widths = [0 if pd.isna(w) else int(w) for w in (wide, what, since)]
        rows = frame[["group", "what", "since", "places"]].itertuples(index=False)
        return [
            "  ".join([*(c.ljust(w) for c, w in zip(row, widths)), row.places]).rstrip()
            for row in rows
        ]

    def _sentence(self) -> str:
        parts = []
        for group, rows in list(self.table.groupby("group", sort=False))[:3]:
            first = rows.iloc[0]
            if group in ("FINISH", "ROUGH", "PLAY"):
                parts.append(f"{listed(rows['what'])} to {str(group).lower()}")
            elif group == "ORDERS":
                there = f" ({first['since']})" if first["since"] else ""
                parts.append(f"order {first['what']}{there}")
            else:
                said = f"{first['what']} {first['since']}".strip()
                parts.append(f"{_GROUPED.get(str(group), '')}{said}")
        return " ".join(f"{part[:1].upper()}{part[1:]}." for part in parts)


@question(Today)
def today(bench: Any, *, level: float = 0.9, seed: int = 1) -> Today:
    """List what there is to do today.

    A blank's next step follows from the last step that is noted and the rest that ``[steps]`` in
    ``bench.toml`` gives it. A blank that waits longer than nine in ten did is listed by its label:
    note its outcome, or the day on which you saw it last under ``seen_on``.

    Parameters
    ----------
    bench : Bench
        The records; ``bench.today`` is the day.
    level : float
        As for every question; nothing here has an interval.
    seed : int
        Of the plan for the orders.

    Returns
    -------
    Today
        Its verdict describes. Where nothing waits and no order is open, there is nothing to list.

    Examples
    --------
    >>> import reedlab as rl
    >>> bench = rl.demo_bench()
    >>> list(rl.today(bench).table["group"].unique())
    ['FINISH', 'PLAY', 'ORDERS', 'CANE']
    """
    going = blanks(bench)
    due = going[(going["ready_on"] <= pd.Timestamp(bench.today)) & ~going["overdue"]]
    plan = order(bench, level=level, seed=seed)
    rows = [
        *_batches(due, bench),
        *_orders(plan, pd.Timestamp(bench.today)),
        *_overdue(going),
        *_cane(bench),
    ]
    if not rows:
        raise CannotAnswer(
            "Nothing waits for its next step, and no order is open.",
            RecordNext("Note a blank when you tie it, and an order when it comes in."),
        )
    table = pd.DataFrame(rows, columns=["group", "what", "since", "places", "reeds"])
    overdue = int(going["overdue"].sum())
    return Today(
        table=_at_most(table),
        level=level,
        notes=(
            (
                f"{count(overdue, 'blank')} waited longer than nine in ten did. For each, note the "
                "outcome given up if it was thrown away, or today as the day you saw it last if it "
                "is still there.",
            )
            if overdue
            else ()
        ),
        room=_room(bench),
    )


def _at_most(table: pd.DataFrame) -> pd.DataFrame:
    """Keep twelve lines: of a long group the last lines go first."""
    while len(table) > _MOST_LINES:
        longest = table["group"].value_counts().idxmax()
        table = table.drop(table.index[table["group"] == longest][-1])
    return table.reset_index(drop=True)


def _batches(due: pd.DataFrame, bench: Any) -> Iterator[tuple[str, ...]]:
    """One line a batch: blanks of one lot with one next step and one day."""
    day = pd.Timestamp(bench.today)
    order_of = list(GROUPS)
    due = due.assign(turn=due["step"].map(order_of.index)).sort_values(
        ["turn", "since", "lot"], kind="stable"
    )
    for (_, since, lot), batch in due.groupby(["turn", "since", "lot"], sort=False, observed=True):
        step, last = batch["step"].iloc[0], batch["last"].iloc[0]
        yield (
            GROUPS[step],
            f"{len(batch)} of {lot}",
            f"{_DONE[last]} {_ago(since, day)}",
            _places(batch["place"]),
            ", ".join(batch["reed"]),
        )


def _ago(then: pd.Timestamp, day: pd.Timestamp) -> str:
    days = (day - then).days
    if days < 2:
        return ("today", "yesterday")[days]
    return f"{then:%a}" if days < 7 else f"{days} days ago"


def _places(places: pd.Series) -> str:
    """Write places in the drying board: ``places 11-18``, or one by one."""
    known = places.dropna().astype(str)
    if known.empty:
        return ""
    numbers = pd.to_numeric(known, errors="coerce")
    if numbers.notna().all() and len(known) > 1:
        low, high = int(numbers.min()), int(numbers.max())
        if high - low + 1 == len(known):
            return f"places {low}-{high}"
    return f"place{'s' * (len(known) > 1)} {', '.join(known)}"


def _orders(plan: Orders, day: pd.Timestamp) -> Iterator[tuple[str, ...]]:
    """One line an open order: what there is for it, and what to tie."""
    for row in plan.table.itertuples():
        kind = f" {row.strength.replace('_', ' ')}" if row.strength else ""
        parts = [f"{row.in_stock} in stock"] if row.in_stock else []
        if row.from_blanks >= 0.5:
            parts.append(f"about {row.from_blanks:.0f} from blanks")
        if row.by < day:
            parts.append("note sent_on, if it was sent")
        elif row.tie:
            parts.append(f"tie {row.tie} by {row.tie_by.day} {row.tie_by:%b}")
        elif row.chance < 0.9:
            parts.append(f"count on {row.can} of {row.reeds}")
        due = f"{'was due' if row.by < day else 'by'} {row.by.day} {row.by:%b}"
        yield (
            "ORDERS",
            f"{row.order}: {row.reeds}{kind} {due}",
            ", ".join(parts),
            "",
            "",
        )


def _overdue(going: pd.DataFrame) -> Iterator[tuple[str, ...]]:
    late = going[going["overdue"]]
    for month, batch in late.groupby(late["tied_on"].dt.to_period("M")):
        labels = batch["reed"].tolist()
        more = f" and {len(labels) - 6} more" if len(labels) > 6 else ""
        yield (
            "WAITING",
            f"no. {', '.join(labels[:6])}{more}",
            f"tied in {month.strftime('%B %Y')}",
            "",
            ", ".join(labels),
        )


def _cane(bench: Any) -> Iterator[tuple[str, ...]]:
    left = cane_left(bench).dropna(subset="left").head(6)
    if len(left):
        pieces = [f"{row.lot} {row.left:.0f} pieces" for row in left.itertuples()]
        yield "CANE", " · ".join([pieces[0] + " left", *pieces[1:]]), "", "", ""


def _room(bench: Any) -> str:
    """Today's humidity, and how thick the heart was left on such days."""
    air = bench.tables["air"].dropna(subset=["time", "rh_pct"])
    day = pd.Timestamp(bench.today)
    fresh = air[(air["time"] <= day + pd.Timedelta(days=1))].sort_values("time").tail(1)
    if fresh.empty or (day - fresh["time"].iloc[0]).days > _FRESH_DAYS:
        return ""
    humidity = float(fresh["rh_pct"].iloc[0])
    reeds = bench.reeds
    alike = (reeds["rh_pct"] - humidity).abs() <= _LIKE_TODAY_PCT
    hearts = reeds.loc[alike, "heart_thickness_mm"].dropna()
    says = f"room {humidity:.0f} %"
    if len(hearts) < _FEWEST:
        return says
    return f"{says}: at this you left the heart {hearts.median():.2f} mm"
