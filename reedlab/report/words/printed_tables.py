"""Tables for print and for a terminal: frames in, text or a great_tables object out."""

from __future__ import annotations

from collections.abc import Mapping
from functools import singledispatch
from typing import TYPE_CHECKING

import pandas as pd

from reedlab.decide.answer import Answer
from reedlab.decide.conditions.gouging import Gouger
from reedlab.decide.conditions.measured_or_not import Unmeasured
from reedlab.decide.suppliers.comparison import Suppliers
from reedlab.report.words.coefficients import both_in_words
from reedlab.report.words.numbers import number, percent, span, written

if TYPE_CHECKING:
    from great_tables import GT


@singledispatch
def in_words(answer: Answer) -> pd.DataFrame:
    """Return the table of an answer as a reader meets it.

    Parameters
    ----------
    answer : Answer

    Returns
    -------
    pandas.DataFrame
        ``answer.table``; of some kinds of answer with estimates and intervals in one cell, effects
        in words, or without the columns that only a picture needs.
    """
    return answer.table


in_words.register(Unmeasured, both_in_words)


@in_words.register
def _gouger(answer: Gouger) -> pd.DataFrame:
    return answer.table.drop(columns=["first", "last", "start_mm", "prob"])


@in_words.register
def suppliers_in_words(answer: Suppliers) -> pd.DataFrame:
    """Write the supplier table as a maker reads it, each estimate with its interval.

    Its costs have the decimals that their draws carry; where a part is not known there are none.
    """
    ranking, decimals = answer.table, answer.digits.get("cost", 0)
    rows, so_far = ranking.to_dict("records"), answer.plain.to_dict("records")
    of = "stayed" if answer.lacks else "success"
    name = "stayed_good" if answer.lacks else "success"
    chance = [
        f"{percent(row[name])} ({span(100 * row[f'{of}_low'], 100 * row[f'{of}_high'])})"
        for row in rows
    ]
    words = pd.DataFrame(
        {
            "supplier": ranking["supplier"].astype(str),
            "lots": ranking["lots"].astype(str),
            "good so far": [f"{row['good']} of {row['reeds']}" for row in so_far],
            f"{'stay good' if answer.lacks else 'good'}, next lot": chance,
            "bench minutes": [number(minutes, 0) for minutes in ranking["minutes"]],
        }
    )
    if answer.lacks:
        return words
    words[f"cost of one, {answer.currency}"] = [
        f"{number(row['cost'], decimals)} ({span(row['cost_low'], row['cost_high'], decimals)})"
        for row in rows
    ]
    words["cheapest"] = [percent(max(share, 1e-9)) for share in ranking["prob_best"]]
    return words


def plain(answer: Suppliers) -> str:
    """Write the supplier table for a terminal."""
    words = suppliers_in_words(answer)
    columns = [[name, *words[name]] for name in words]
    widths = [max(map(len, column)) for column in columns]
    rows = [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths)).rstrip()
        for row in zip(*columns)
    ]
    note = (
        "In brackets: ranges that hold nine times in ten. Bench minutes: all work for one reed "
        "that stays\ngood, lost ones included."
    )
    if not answer.lacks:
        note += " Cheapest: the chance that it costs least."
    return "\n".join([rows[0], "-" * len(rows[0]), *rows[1:], note])


def for_print(
    frame: pd.DataFrame, name: str, title: str, note: str, digits: int | Mapping[str, int] = 2
) -> GT:
    """Set a frame as a table for print: ruled above and below, with the note beneath.

    Parameters
    ----------
    frame : pandas.DataFrame
        Any tidy frame; its numbers are written as on the pages.
    name : str
        The table's fixed HTML id.
    title, note : str
        Above and beneath the table.
    digits : int or mapping
        As in `reedlab.report.words.numbers.written`.

    Returns
    -------
    great_tables.GT
        ``as_raw_html()`` gives it for a page, ``as_latex()`` for a paper.

    Examples
    --------
    >>> table = for_print(pd.DataFrame({"lot": ["a"]}), "lots", "Lots", "Invented.")
    >>> "<td" in table.as_raw_html()
    True
    """
    from great_tables import GT

    return (
        GT(written(frame, digits), id=name)
        .tab_header(title)
        .tab_source_note(note)
        .tab_options(
            table_font_names=["Palatino Linotype", "Palatino", "Georgia", "serif"],
            table_font_color="#000000",
            table_border_top_color="#000000",
            table_border_bottom_color="#000000",
            column_labels_border_bottom_color="#000000",
            table_body_border_bottom_color="#000000",
            table_body_hlines_style="none",
            heading_align="left",
            heading_title_font_size="100%",
        )
    )
