"""The maker's first page in her words: best guess and range first, then how sure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reedlab.decide.adviser import advise
from reedlab.decide.answer import Verdict, graded
from reedlab.decide.costs import cost_per_saleable
from reedlab.decide.draws import amount
from reedlab.decide.evidence import count, listed, tying_minutes
from reedlab.decide.losses_by_stage import NOT_NOTED
from reedlab.decide.orders.blanks_in_progress import stock
from reedlab.decide.returns import sent_back
from reedlab.decide.shared_models.cane_slopes import BETWEEN, PROPERTIES, ask_for, lots_measured
from reedlab.records import flow

if TYPE_CHECKING:
    from reedlab.decide.answer import Answer
    from reedlab.decide.losses_by_stage import Losses
    from reedlab.decide.price import Price
    from reedlab.decide.stopping.before_tying import PassingOver
    from reedlab.decide.suppliers.comparison import Suppliers
    from reedlab.decide.today import Today
    from reedlab.records import Bench

RANGES = "Ranges hold nine times in ten."
_STAGE = {
    "tie": "at tying", "rough": "at roughing", "dry": "as they dry", "clip": "at clipping",
    "finish": "at finishing", "play": "when they are played",
}  # fmt: skip


@dataclass(frozen=True)
class Row:
    """A supplier's line: its price range and what is said of it."""

    supplier: str
    ask: float
    low: float
    high: float
    fetched: float
    says: str


@dataclass(frozen=True)
class FirstPage:
    """What the first page says; a block without anything to say is empty."""

    flow: str  # how many judged reeds could be used, and why not the others
    today: str  # the day in a line
    steps: tuple[str, ...]  # what to do next, the most valuable first
    cane: tuple[str, ...]  # which cane to buy, in sentences
    rows: tuple[Row, ...]  # a line a supplier
    ask: tuple[str, ...]  # what to ask for a reed
    counted: str  # what a price holds, in small print
    gone: tuple[str, ...]  # where reeds are lost, in sentences
    currency: str  # of all money
    decimals: int  # that a price carries


def first_page(
    bench: Bench,
    said: Suppliers,
    priced: Price,
    day: Today,
    lost: Losses,
    sorting: PassingOver,
    *others: Answer,
) -> FirstPage:
    """Collect the first page from the answers; the advice of `others` is weighed too."""
    return FirstPage(
        flow=flow.sentence(bench.flow(settled=False)),
        today="" if day.unanswered else day.sentence(),
        steps=tuple(
            map(str, advise((said, priced, lost, sorting, *others), bench.settings.wage_per_hour))
        ),
        cane=(*_cane(said, priced), *_to_ask_for(bench, sorting)),
        rows=_rows(said, priced),
        ask=_ask(priced),
        counted="" if priced.unanswered else _counted(bench),
        gone=_gone(bench, lost),
        currency=priced.currency or said.currency,
        decimals=priced.digits.get("ask", 0),
    )


def _cane(said: Suppliers, priced: Price) -> tuple[str, ...]:
    """Say which cane to buy, what a reed of it costs, and what came back."""
    lead = best_buy(said, costs=not priced.unanswered)
    if said.unanswered or len(said.table) == 1 or not said.costed or priced.unanswered:
        return (lead,)
    though = f"It would be {said.though}." if said.though else ""
    back = _came_back(priced, said.table["supplier"].head(2).tolist())
    return tuple(filter(None, (lead, said.newer, though, said.turned, back)))


def best_buy(said: Suppliers, costs: bool = True) -> str:
    """Say in a sentence or two which cane to buy, and what a reed of it costs, where that is known.

    Without `costs` none is spoken of.
    """
    if said.unanswered:
        return said.sentence()
    table = said.table
    if len(table) == 1:
        return f"All your judged reeds are of {said.best}, so there is nothing to compare yet."
    first, second = table.iloc[0], table.iloc[1]
    if not (costs and said.costed):
        good = table.sort_values("stayed_good", ascending=False, kind="stable").iloc[0]
        many, low, high = 100 * good[["stayed_good", "stayed_low", "stayed_high"]]
        return (
            f"Most {said.counted} should come from {good.supplier}: about {many:.0f} in 100 "
            f"({low:.0f} to {high:.0f})."
        )
    best, low, high, then = (
        amount(value, said.digits["cost"])
        for value in (first.cost, first.cost_low, first.cost_high, second.cost)
    )
    cost = f"about {best} {said.currency} ({low} to {high})"
    if said.verdict is Verdict.SURE:
        return f"Buy {first.supplier} next (sure). A saleable reed of it costs {cost}."
    if said.verdict is Verdict.LIKELY:
        return f"{_first(first.supplier)} is likely the best buy. A saleable reed costs {cost}."
    of_both = " from either" if best == then else f", and about {then} of {second.supplier}"
    return (
        f"{_first(first.supplier)} or {second.supplier}: too close to call. A saleable "
        f"reed costs {cost}{of_both}."
    )


def _to_ask_for(bench: Bench, sorting: PassingOver) -> tuple[str, ...]:
    """Say which cane to ask for, by the property that is the surest between lots."""
    found = sorting.slopes[sorting.slopes["which"] == BETWEEN]
    for _, slope in found.sort_values("prob_matters", ascending=False).iterrows():
        name, of = next(p for p in PROPERTIES.items() if p[1].more == slope["property"])
        if asks := ask_for(slope, of, lots_measured(bench.reeds, name)):
            return (asks,)
    return ()


def _first(name: str) -> str:
    """Begin a sentence with a name, whose other letters stay as they are."""
    return name[:1].upper() + name[1:]


def _came_back(priced: Price, names: list[str]) -> str:
    known = priced.back.set_index("supplier") if len(priced.back) else priced.back
    rows = [known.loc[name] for name in names if name in known.index]
    if not any(row.returned for row in rows):
        return ""
    says = [f"{row.returned:.0f} of {row.sold:.0f} sold {row.name} reeds" for row in rows]
    return f"Came back: {listed(says)}."


def _rows(said: Suppliers, priced: Price) -> tuple[Row, ...]:
    """Give each supplier's price range, and how sure it is that it is dearer than the first."""
    if priced.unanswered or said.unanswered:
        return ()
    basis = said.grounds()
    cost = cost_per_saleable(basis.lot.expected, basis.evidence.rates)
    names = basis.evidence.arms["supplier"].tolist()
    first = cost[:, names.index(said.best)]
    dearer = {name: float(np.mean(cost[:, i] > first)) for i, name in enumerate(names)}
    table = priced.table.set_index("supplier").loc[said.table["supplier"]]
    return tuple(
        Row(
            str(name),
            row.ask,
            row.ask_low,
            row.ask_high,
            row.fetched,
            "best guess" if name == said.best else _graded(dearer[str(name)]),
        )
        for name, row in table.iterrows()
    )


def _graded(probability: float) -> str:
    grade = graded(probability)
    return "too close to call" if grade is Verdict.CANNOT_SAY else f"dearer, {grade.value}"


def _ask(priced: Price) -> tuple[str, ...]:
    if priced.unanswered:
        return (priced.unanswered,)
    prices = [
        f"{amount(row.ask, priced.digits['ask'])} for grade {row.grade}"
        for row in priced.grades.itertuples()
    ]
    by_grade = f"By grade: {listed(prices)}." if len(prices) > 1 else ""
    return tuple(filter(None, (priced.sentence(), by_grade)))


def _counted(bench: Bench) -> str:
    """Say what a price holds: a staple and the wage may be those of no bench but reedlab's own."""
    costs = bench.settings
    tying = "" if tying_minutes(bench)[1] else " Tying is not timed."
    return (
        f"A price holds cane, a staple at {costs.staple_price:g} {costs.currency}, thread, hours "
        f"at {costs.wage_per_hour:g}, and what else you set in bench.toml.{tying}"
    )


def _gone(bench: Bench, lost: Losses) -> tuple[str, ...]:
    """Say how many of the tied were judged, good and stayed good, and where most are lost."""
    reeds = bench.reeds
    judged, good = reeds["success"].notna(), reeds["success"] == 1
    back = sent_back(bench)
    steps = [f"{len(reeds):,} tied", f"{int(judged.sum()):,} judged", f"{int(good.sum()):,} good"]
    if back.any():
        steps.append(f"{int((good & ~back).sum()):,} stayed good")
    there = len(stock(bench))
    shelf = f"{count(there, 'good reed').capitalize()} in stock." if there else ""
    where = _where_lost(lost, int((judged & ~good).sum()))
    return tuple(filter(None, (" > ".join(steps) + ".", where, shelf)))


def _where_lost(lost: Losses, failed: int) -> str:
    """Say where most are lost, of how many, and of how many that is not known."""
    if lost.unanswered or not lost.worst:
        return ""
    at = lost.table.set_index("stage")["lost"]
    newest = f", the newest {failed - lost.failed} left out" if failed > lost.failed else ""
    unnoted = f"; of {at[NOT_NOTED]} the stage is not noted" if at.get(NOT_NOTED, 0) else ""
    of = f"{at[lost.worst]} of {lost.failed}{newest}{unnoted}"
    return f"Most are lost {_STAGE[lost.worst]}: {of}."


def bars(rows: Sequence[Row], currency: str, decimals: int) -> list[dict[str, Any]]:
    """Return the picture of price ranges as places in percent of its width, for a page to draw.

    A line a supplier: supplier, low, ask, high, fetched or None (places from 0 to 100), says,
    figures, alt. `decimals` are those that a price carries.
    """
    end = max((price for row in rows for price in (row.high, row.fetched) if pd.notna(price)),
              default=1.0)  # fmt: skip
    lines = []
    for row in rows:
        known = pd.notna(row.fetched)
        best, low, high, now = (
            amount(value, decimals) for value in (row.ask, row.low, row.high, row.fetched)
        )
        fetches = f", fetches {now}" if known else ""
        lines.append(
            {
                "supplier": row.supplier,
                "low": round(100 * row.low / end, 2),
                "ask": round(100 * row.ask / end, 2),
                "high": round(100 * row.high / end, 2),
                "fetched": round(100 * row.fetched / end, 2) if known else None,
                "says": row.says,
                "figures": f"{best} ({low} to {high})",
                "alt": f"{row.supplier}: ask {best} {currency} ({low} to {high}){fetches}, "
                f"{row.says}",
            }
        )
    return lines
