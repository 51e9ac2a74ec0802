"""From sheets and the maker's answers to every line of ``bench.toml``, decided or open."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from itertools import product

from reedlab.records.adopt.finding_tables import Part
from reedlab.records.adopt.guessing_columns import (
    Answers,
    columns_of,
    guess_columns,
    guess_tables,
    parts_by_table,
)
from reedlab.records.adopt.guessing_words import (
    guess_currency,
    guess_date_order,
    guess_empty,
    guess_words,
)
from reedlab.records.adopt.lines import Line


def propose(parts: Sequence[Part], answers: Answers, today: dt.date) -> list[Line]:
    """Return the lines of ``bench.toml`` for some sheets, each path once.

    `answers` are the maker's, or what an earlier ``bench.toml`` says; `today` is for the age of
    blanks without an outcome. The same sheets, answers and day give the same lines.
    """
    holds = guess_tables(parts, answers)
    columns: list[Line] = []
    words: list[Line] = []
    dated, prices = [], []
    of_reeds: tuple[Sequence[Part], dict[str, str], list[str]] = ((), {}, [])
    lots: set[str] = set()
    for table, held in parts_by_table(parts, holds, answers):
        lines = guess_columns(table, held, answers, lots)
        columns += lines
        meant = {
            line.path[-1]: str(line.value)
            for line in lines
            if line.path[0] == "columns" and line.value and not line.open
        }
        said = {line.path: line.value for line in lines if line.path[0] == "outcome"}
        words += guess_words(table, held, meant, {**said, **answers})
        kinds = columns_of(table)
        for part, (heading, column) in product(held, meant.items()):
            kind = kinds[column].kind if column in kinds else ""
            dated += [part.texts(heading)] if kind in ("date", "time") else []
            prices += [part.texts(heading)] if kind == "money" else []
        if table == "lots":
            labels = [heading for heading, column in meant.items() if column == "lot"]
            lots = {text for part in held for heading in labels for text in part.texts(heading)}
        if table == "reeds":
            of_reeds = (
                held,
                meant,
                [x.path[-1] for x in lines if x.path[:2] == ("outcome", "filled")],
            )
    order = guess_date_order(dated, answers)
    settled = next((str(line.value) for line in order if not line.open), None)
    rules = guess_empty(*of_reeds, settled, today, answers)
    currency = guess_currency(prices, answers)
    every = [*order, *holds.values(), *columns, *words, *rules, *currency]
    return list({line.path: line for line in every}.values())
