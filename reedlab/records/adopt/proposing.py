"""From sheets and the maker's answers to every line of ``bench.toml``, decided or open."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from reedlab.records.adopt.finding_tables import Part
from reedlab.records.adopt.guessing_columns import (
    Answers,
    columns_of,
    guess_columns,
    guess_tables,
    parts_by_table,
)
from reedlab.records.adopt.guessing_words import guess_date_order, guess_empty, guess_words
from reedlab.records.adopt.lines import Line


def propose(parts: Sequence[Part], answers: Answers, today: dt.date) -> list[Line]:
    """Return the lines of ``bench.toml`` for some sheets, each path once.

    `answers` are the maker's, or what an earlier ``bench.toml`` says; `today` is for the age of
    blanks without an outcome. The same sheets, answers and day give the same lines.
    """
    holds = guess_tables(parts, answers)
    columns: list[Line] = []
    words: list[Line] = []
    dated = []
    of_reeds: tuple[Sequence[Part], dict[str, str], list[str]] = ((), {}, [])
    for table, held in parts_by_table(parts, holds):
        lines = guess_columns(table, held, answers)
        columns += lines
        meant = {
            line.path[-1]: str(line.value)
            for line in lines
            if line.path[0] == "columns" and line.value and not line.open
        }
        said = {line.path: line.value for line in lines if line.path[0] == "outcome"}
        words += guess_words(table, held, meant, {**said, **answers})
        kinds = columns_of(table)
        dated += [
            part.texts(heading)
            for part in held
            for heading, column in meant.items()
            if column in kinds and kinds[column].kind in ("date", "time")
        ]
        if table == "reeds":
            of_reeds = (
                held,
                meant,
                [x.path[-1] for x in lines if x.path[:2] == ("outcome", "filled")],
            )
    order = guess_date_order(dated, answers)
    settled = next((str(line.value) for line in order if not line.open), None)
    rules = guess_empty(*of_reeds, settled, today, answers)
    every = [*order, *holds.values(), *columns, *words, *rules]
    return list({line.path: line for line in every}.values())
