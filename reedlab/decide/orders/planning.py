"""How many blanks to tie of which lot by when, so that all open orders are met."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reedlab.decide.answer import (
    SURE_FROM,
    Answer,
    CannotAnswer,
    RecordNext,
    claims_frame,
    empty,
    graded,
    question,
)
from reedlab.decide.evidence import count, listed
from reedlab.decide.orders.blanks_in_progress import blanks, stock, unsold_long_ago
from reedlab.decide.orders.chances import Chances
from reedlab.errors import DecisionError
from reedlab.records.settings import WEEKDAYS, Week
from reedlab.records.tables import STRENGTHS
from reedlab.records.tidy.frames import looked_up

Bools = NDArray[np.bool_]
_DRAWS = 4000
_MOST_BLANKS = 400
"""Blanks that one order may ask for before the plan gives up."""
_IN_USE_DAYS = 240
"""A lot of which nothing was tied for so long is not in use: common practice, no source."""
_PLAY_DAYS = 4
"""Days from finishing to the verdict where too few are dated: common practice, no source."""
NEW_CANE = "new cane"
"""What a plan calls pieces beyond those that are left."""
ASKED = "what if"
"""Label of an order that was asked about and is not in the records."""


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Orders(Answer):
    """A plan for all open orders; see `Answer` for the rest of it.

    Attributes
    ----------
    table
        One row an open order, the earliest first: ``order``, ``customer``, ``reeds``,
        ``strength``, ``by``, ``in_stock`` (kept for it), ``from_blanks`` (expected from blanks in
        progress), ``tie`` (blanks to tie), ``lots`` (how many of which), ``tie_by``, ``hours`` (of
        scraping them), ``chance`` (of meeting it so), ``can`` (reeds that can be had with the
        certainty of a plan), ``new_by`` (of a late order, the first day by which blanks that are
        tied now can come; it is planned for that day).
    weeks
        One row a week: ``week`` (its Monday), ``hours`` of scraping that the plan needs.
    """

    table: pd.DataFrame = empty(
        "order", "customer", "reeds", "strength", "by", "in_stock", "from_blanks", "tie", "lots",
        "tie_by", "hours", "chance", "can", "new_by",
    )  # fmt: skip
    weeks: pd.DataFrame = empty("week", "hours")

    def lines(self) -> list[str]:
        """Write each order in a line: what it asks for, what is there, what to tie, how sure."""
        return [_line(row) for row in self.table.itertuples()]

    def _sentence(self) -> str:
        wanted = self.table["order"] == ASKED
        asked_about = [_line(row) for row in self.table[wanted].itertuples()]
        table = self.table[~wanted]
        return " ".join([*asked_about, *([self._open(table)] if len(table) else [])])

    def _open(self, table: pd.DataFrame) -> str:
        """Say what the orders in the records need first."""
        short = table[table["chance"] < SURE_FROM]
        if len(short):
            first = short.iloc[0]
            late = pd.notna(first["new_by"])
            day = f"{_day(first['new_by'])}, late as it is" if late else _day(first["by"])
            return (
                f"Order {first['order']} can probably not be met whole by {day}: "
                f"count on {first['can']} of its {first['reeds']} reeds."
            )
        to_tie = table[table["tie"] > 0]
        if to_tie.empty:
            return f"{count(len(table), 'open order').capitalize()}, on track: nothing to tie."
        first = to_tie.iloc[0]
        return (
            f"Tie {count(int(to_tie['tie'].sum()), 'blank')} for {listed(to_tie['order'])}: "
            f"{first['lots']} by {_day(first['tie_by'])}{' first' * (len(to_tie) > 1)}."
        )


def _line(row: Any) -> str:
    kind = f" {row.strength.replace('_', ' ')}" if row.strength else ""
    parts = [
        f"{row.in_stock} in stock" if row.in_stock else "",
        f"about {row.from_blanks:.0f} from blanks in progress" if row.from_blanks >= 0.5 else "",
    ]
    if row.tie:
        hours = f", about {row.hours:.0f} hours" if np.isfinite(row.hours) else ""
        parts.append(f"tie {row.tie} ({row.lots}) by {_day(row.tie_by)}{hours}")
    if row.chance < SURE_FROM:
        parts.append(f"count on {row.can} of {row.reeds}")
    parts.append(f"met {100 * row.chance:.0f} times in 100")
    wanted = f"{row.order}: {row.reeds}{kind}"
    if row.order == ASKED:
        wanted = f"{ASKED.capitalize()}: {row.reeds}{kind} reeds"
    day = f" by {_day(row.by)}"
    if pd.notna(row.new_by):
        day = f", was due {_day(row.by)}, by {_day(row.new_by)}"
    return f"{wanted}{day}: {'; '.join(part for part in parts if part)}."


@dataclass(frozen=True)
class _Calendar:
    """Which days can be worked, and how long a blank takes."""

    today: pd.Timestamp
    week: Week | None
    days_to_verdict: dict[str, int]
    minutes: float

    def sent_by(self, due: pd.Timestamp) -> pd.Timestamp:
        post = Week(hours=1).post_days if self.week is None else self.week.post_days
        return due - pd.Timedelta(days=post)

    def tie_by(self, due: pd.Timestamp) -> pd.Timestamp:
        """Give the last working day on which a blank for an order can be tied."""
        day = self.sent_by(due) - pd.Timedelta(days=self.days_to_verdict["tie"])
        while self.week is not None and WEEKDAYS[day.weekday()] in self.week.days_off:
            day -= pd.Timedelta(days=1)
        return day

    def earliest(self) -> pd.Timestamp:
        """Give the first day by which a blank that is tied now can be with a customer."""
        day = self.today
        while self.week is not None and WEEKDAYS[day.weekday()] in self.week.days_off:
            day += pd.Timedelta(days=1)
        day += pd.Timedelta(days=self.days_to_verdict["tie"])
        return day + (day - self.sent_by(day))

    def hours_until(self, day: pd.Timestamp) -> float:
        """Hours for reeds from today to a day, both included."""
        if self.week is None:
            return np.inf
        days = pd.date_range(self.today, day)
        off = [WEEKDAYS[d.weekday()] in self.week.days_off for d in days]
        return (len(days) - sum(off)) * self.week.hours / (7 - len(self.week.days_off))


@dataclass
class _Blanks:
    """Draws of blanks, in progress or still to be tied: what each becomes, and what is left."""

    good: Bools
    strength: NDArray[np.int8]
    ready: NDArray[Any]
    free: Bools = field(init=False)

    def __post_init__(self) -> None:
        self.free = self.good.copy()

    def take(self, need: NDArray[np.int64], strength: str, sent_by: pd.Timestamp) -> Any:
        """Take up to `need` (draws,) matching blanks in each draw; return how many were taken."""
        fits = self.free & (self.ready <= np.datetime64(sent_by))
        if strength:
            fits &= self.strength == STRENGTHS.index(strength)
        taken = fits & (np.cumsum(fits, axis=1) <= need[:, None])
        self.free &= ~taken
        return taken.sum(axis=1)

    def add(self, other: _Blanks) -> None:
        self.good = np.concatenate([self.good, other.good], axis=1)
        self.strength = np.concatenate([self.strength, other.strength], axis=1)
        self.ready = np.append(self.ready, other.ready)
        self.free = np.concatenate([self.free, other.free], axis=1)


@question(Orders)
def order(
    bench: Any,
    reeds: int | None = None,
    by: dt.date | str | None = None,
    *,
    strength: str = "",
    level: float = 0.9,
    seed: int = 1,
) -> Orders:
    """Plan all open orders together, the earliest first.

    An order takes reeds from stock, then from blanks in progress, then from blanks to be tied: as
    many as meet it with a probability of 0.9, by draws from the posterior of success, of what is
    still to be lost at each step, and of the strengths. A reed promised to one order is not counted
    for another.

    Parameters
    ----------
    bench : Bench
        The records, with the table ``orders``.
    reeds : int, optional
        Ask "what if": an order of so many reeds more.
    by : datetime.date or str, optional
        The day on which they must be with the customer, such as ``"2026-12-15"``.
    strength : str, default ""
        Their strength, such as ``"medium_soft"``; any when empty.
    level : float
        As for every question; nothing here has an interval.
    seed : int
        Of the draws.

    Returns
    -------
    Orders
        The claim is that all orders are met. Without open orders the records cannot answer.

    Raises
    ------
    DecisionError
        When only one of `reeds` and `by` is given, or one of them makes no sense.

    Examples
    --------
    >>> import reedlab as rl
    >>> bench, truth = rl.simulate_bench(seed=1, suppliers=3, reeds=150, years=1)
    >>> plan = rl.order(bench, reeds=4, by="2025-09-01")
    >>> bool(plan.table.set_index("order").loc["what if", "chance"] >= 0.9)
    True
    """
    wanted = _open_orders(bench, reeds, by, strength)
    if wanted.empty:
        raise CannotAnswer(
            "No order is open.", RecordNext("Write an order into the table orders as it comes in.")
        )
    chances = Chances(bench, seed, _DRAWS)
    calendar = _calendar(bench, chances.reeds)
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(42,)))
    lots = cane_left(bench)
    shelf, going = stock(bench), blanks(bench)
    going = going[~going["overdue"]].reset_index(drop=True)
    pool = _in_progress(going, chances, calendar, rng)
    rows, met, used = [], np.ones(_DRAWS, dtype=bool), _hours_in_progress(going, calendar)
    for asked in wanted.itertuples():
        row, shelf, ok = _plan(asked, shelf, pool, chances, calendar, lots, used, rng)
        met &= ok
        used += row["hours"] if np.isfinite(row["hours"]) else 0.0
        rows.append(row)
    probability = float(met.mean())
    grade = graded(probability)
    table = pd.DataFrame(rows)
    return Orders(
        table=table,
        level=level,
        claims=claims_frame([("all open orders are met", probability, grade, len(table), True)]),
        notes=tuple(_notes(bench, chances, table, shelf)),
        record_next=_to_record(bench, chances, wanted),
        weeks=_weeks(table, calendar),
    )


def _open_orders(
    bench: Any, reeds: int | None, by: dt.date | str | None, strength: str
) -> pd.DataFrame:
    """Give the open orders, and the one that is asked about, the earliest first."""
    if strength and strength not in STRENGTHS:
        raise DecisionError(
            f"the strength {strength!r} is not known: use one of {', '.join(STRENGTHS)}."
        )
    if (reeds is None) != (by is None):
        raise DecisionError(
            "an order that is asked about needs both: how many reeds, and by which day."
        )
    orders = bench.tables["orders"]
    wanted = orders[orders["sent_on"].isna()].dropna(subset=["order", "reeds", "by"])
    if reeds is not None and by is not None:
        try:
            due = pd.Timestamp(dt.date.fromisoformat(str(by)[:10]))
        except ValueError as error:
            raise DecisionError(
                f"the day {by!r} is not a valid date: write it as 2026-12-15."
            ) from error
        if not 1 <= reeds <= _MOST_BLANKS or due < pd.Timestamp(bench.today):
            raise DecisionError(
                f"an order of {reeds} reeds by {due:%Y-%m-%d} cannot be planned: ask for 1 to "
                f"{_MOST_BLANKS} reeds by a day from {bench.today} on."
            )
        asked = {"order": ASKED, "reeds": float(reeds), "by": due, "strength": strength or None}
        more = pd.DataFrame([asked]).reindex(columns=wanted.columns)
        wanted = pd.concat([wanted.astype(object), more.astype(object)])
    return wanted.sort_values(["by", "order"], kind="stable", ignore_index=True)


def cane_left(bench: Any) -> pd.DataFrame:
    """Return the pieces that are left of each lot in use, the one tied last first.

    Columns: lot, left (missing where its quantity is not known), tied_last.
    """
    flow = bench.losses
    lost = flow["pieces_lost"].fillna(
        (flow["pieces_bought"] * (1 - flow["yield_before_tying"].mean())).fillna(0.0)
    )
    left = np.floor(flow["pieces_bought"] - lost - flow["pieces_tied"])
    last = bench.reeds.groupby("lot", observed=True)["tied_on"].max()
    frame = pd.DataFrame({"lot": flow["lot"].astype(str), "left": left})
    bought = bench.tables["lots"].drop_duplicates("lot").set_index("lot")["bought_on"]
    frame["tied_last"] = looked_up(flow["lot"], last)
    latest = frame["tied_last"].fillna(looked_up(flow["lot"], bought))
    old = pd.Timestamp(bench.today) - pd.Timedelta(days=_IN_USE_DAYS)
    frame = frame[~(frame["left"] <= 0) & ~(latest < old)]
    return frame.sort_values("tied_last", ascending=False, kind="stable", ignore_index=True)


def _calendar(bench: Any, reeds: pd.DataFrame) -> _Calendar:
    """Days from each step to the verdict: from the records' good reeds, else the usual rests."""
    good = reeds[reeds["success"] == 1]
    played = (good["judged_on"] - good["finished_on"]).dt.days.dropna()
    play = int(np.ceil(played.quantile(0.75))) if len(played) >= 10 else _PLAY_DAYS
    rests = bench.settings.steps
    finish = int(np.ceil(rests.get("play", 0))) + play
    rough = int(np.ceil(rests.get("finish", 0))) + finish
    days = {"finish": play, "rough": rough, "tie": int(np.ceil(rests.get("rough", 0))) + rough}
    minutes = float(reeds["scrape_min"].mean())  # good or not; NaN where none are noted
    return _Calendar(pd.Timestamp(bench.today), bench.settings.week, days, minutes)


def _drawn(
    chance: NDArray[np.float64], chances: Chances, ready: Any, rng: np.random.Generator
) -> _Blanks:
    """Draw what blanks become from the chance (draws, blanks) of each."""
    shares = np.cumsum(chances.strengths(), axis=1)
    u = rng.random(chance.shape)
    strength = np.zeros(chance.shape, dtype=np.int8)
    for share in shares.T:
        strength += u > share[:, None]
    return _Blanks(rng.random(chance.shape) < chance, strength, np.asarray(ready))


def _in_progress(
    going: pd.DataFrame, chances: Chances, calendar: _Calendar, rng: np.random.Generator
) -> _Blanks:
    p = [chances.of_blank(str(b.lot), b.last) for b in going.itertuples()]
    # A blank takes its days from the day after today, or has them behind it.
    ready = [
        max(b.since + pd.Timedelta(days=calendar.days_to_verdict[b.last]), calendar.today)
        for b in going.itertuples()
    ]
    shape = (chances.draws, 0)
    chance = np.column_stack(p) if p else np.empty(shape)
    return _drawn(chance, chances, np.array(ready, dtype="datetime64[ns]"), rng)


def _plan(
    asked: Any,
    shelf: pd.DataFrame,
    pool: _Blanks,
    chances: Chances,
    calendar: _Calendar,
    lots: pd.DataFrame,
    used: float,
    rng: np.random.Generator,
) -> tuple[dict[str, Any], pd.DataFrame, Bools]:
    """Plan one order; what it takes leaves the shelf and the pool."""
    strength = asked.strength if isinstance(asked.strength, str) else ""
    wanted = strength if chances.strengths_noted else ""
    reeds, promised = int(asked.reeds), pd.Timestamp(asked.by)
    late = promised < calendar.today
    due = calendar.earliest() if late else promised
    sent_by = calendar.sent_by(due)
    own = shelf["order"].astype(object) == asked.order
    open_to_all = shelf["order"].isna()
    fits = own | (open_to_all & (shelf["strength"].eq(wanted) if wanted else True))
    kept = shelf[fits].sort_values("order", na_position="last", kind="stable").head(reeds)
    shelf = shelf.drop(kept.index)
    need = np.full(chances.draws, reeds - len(kept))
    got = pool.take(need, wanted, sent_by)
    need = need - got
    tie_by, hours_each = calendar.tie_by(due), calendar.minutes / 60
    tied, of_lots, made = 0, "", np.zeros(chances.draws, dtype=np.int64)
    if (need > 0).mean() > 1 - SURE_FROM and tie_by >= calendar.today:
        most = _MOST_BLANKS
        if np.isfinite(hours_each) and hours_each > 0:
            free = max(calendar.hours_until(sent_by) - used, 0.0)
            most = int(min(most, free // hours_each))
        order_of_lots = _in_turn(lots, most, chances)
        chance = np.empty((chances.draws, most))
        for at, lot in enumerate(order_of_lots):
            chance[:, at] = chances.of_lot(lot)
        new = _drawn(chance, chances, np.full(most, np.datetime64(sent_by)), rng)
        right = new.good & (new.strength == STRENGTHS.index(wanted) if wanted else True)
        enough = (np.cumsum(right, axis=1) >= need[:, None]).mean(axis=0) >= SURE_FROM
        tied = int(np.argmax(enough)) + 1 if enough.any() else most
        new = _Blanks(new.good[:, :tied], new.strength[:, :tied], new.ready[:tied])
        made = new.take(need, wanted, sent_by)
        pool.add(new)
        taken = pd.Series(order_of_lots[:tied], dtype=object).value_counts(sort=False)
        lots["left"] -= lots["lot"].map(taken).fillna(0)
        of_lots = ", ".join(f"{n} of {lot or NEW_CANE}" for lot, n in taken.items())
    have = len(kept) + got + made
    return (
        {
            "order": str(asked.order),
            "customer": asked.customer if isinstance(asked.customer, str) else "",
            "reeds": reeds,
            "strength": strength,
            "by": promised,
            "in_stock": len(kept),
            "from_blanks": round(float(got.mean()), 1),
            "tie": tied,
            "lots": of_lots,
            "tie_by": tie_by if tied else pd.NaT,
            "hours": tied * hours_each,
            "chance": float((have >= reeds).mean()),
            "can": int(np.quantile(have, 1 - SURE_FROM, method="lower")),
            "new_by": due if late else pd.NaT,
        },
        shelf,
        have >= reeds,
    )


def _in_turn(lots: pd.DataFrame, most: int, chances: Chances) -> list[str]:
    """Give the lot of each blank to tie: lots in use as far as they go, then new cane ("").

    Of a lot whose quantity is not known nothing says that it ends: of several the best is taken.
    """
    counted = lots.dropna(subset="left")
    known = [
        lot
        for lot, left in zip(counted["lot"], counted["left"].clip(lower=0).astype(int))
        for _ in range(left)
    ]
    open_ended = lots.loc[lots["left"].isna(), "lot"].tolist() or [""]
    best = max(open_ended, key=lambda lot: float(chances.of_lot(lot).mean()))
    return (known + [best] * most)[:most]


def _hours_in_progress(going: pd.DataFrame, calendar: _Calendar) -> float:
    """Hours that the blanks in progress still take: all, half or none of their minutes."""
    share = going["last"].map({"tie": 1.0, "rough": 0.5, "finish": 0.0})
    return float(share.sum() * np.nan_to_num(calendar.minutes) / 60)


def _weeks(table: pd.DataFrame, calendar: _Calendar) -> pd.DataFrame:
    """Spread the hours of each order's new blanks evenly over the days until it is sent."""
    hours: dict[pd.Timestamp, float] = {}
    for row in table[(table["tie"] > 0) & np.isfinite(table["hours"])].itertuples():
        days = pd.date_range(calendar.today, calendar.sent_by(row.by))
        for day in days:
            monday = day - pd.Timedelta(days=day.weekday())
            hours[monday] = hours.get(monday, 0.0) + row.hours / len(days)
    rows = sorted(hours.items())
    return pd.DataFrame(rows, columns=["week", "hours"]).astype({"week": "datetime64[us]"})


def _notes(bench: Any, chances: Chances, table: pd.DataFrame, shelf: pd.DataFrame) -> list[str]:
    notes = []
    if bench.settings.week is None:
        notes.append(
            "bench.toml has no [week], so the plan gives the hours that it needs and does not know "
            "whether you have them."
        )
    if (table["strength"] != "").any():
        notes.append(
            f"Strengths are as in {count(chances.strengths_noted, 'good reed')}; what an order "
            "cannot use goes to stock."
            if chances.strengths_noted
            else "No good reed's strength is noted, so the plan counts every good reed."
        )
    short = table.loc[table["lots"].str.contains(NEW_CANE), "order"]
    if len(short):
        notes.append(f"The cane that is left does not reach for {listed(short)}: buy cane.")
    if len(shelf):
        notes.append(f"Good reeds left in stock: {len(shelf)}.")
    if old := unsold_long_ago(bench):
        notes.append(
            f"{count(old, 'older good reed')} without a noted sale "
            f"{'does' if old == 1 else 'do'} not count as stock."
        )
    return notes


def _to_record(bench: Any, chances: Chances, wanted: pd.DataFrame) -> RecordNext | None:
    if wanted["strength"].notna().any() and chances.strengths_noted < 20:
        return RecordNext("Note the strength of each finished reed.")
    if bench.reeds[["sold_on", "sold_for"]].notna().to_numpy().any():
        return None
    return RecordNext("Note the day on which a reed is sold; until then no reed counts as stock.")


def _day(day: pd.Timestamp) -> str:
    return f"{day.day} {day:%B}"
