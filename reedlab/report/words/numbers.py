"""How numbers and column names are written wherever a person reads them.

One place decides the decimals, so that a notebook, a page and the command line print the same
figure, and no digit that depends on the processor: fixed decimals, tiny values as 0, p-values
below a thousandth as "<0.001".
"""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Any

import numpy as np
import pandas as pd

from reedlab.decide.draws import amount
from reedlab.records.tables import in_words, unit_of

MISSING = "–"
NONE = "None in these records."
P_COLUMNS = frozenset({"p", "p_value", "p_unc", "p_corr", "p_tukey", "p_holm"})


def number(value: Any, digits: int = 2) -> str:
    """Write one number with fixed decimals; a tiny one as 0, a missing one as a dash.

    Text comes back unchanged; whole numbers (by type) are written without decimals. `digits` below
    0 are for whole tens and more.

    Examples
    --------
    >>> number(0.6275), number(-0.0004), number(12), number(float("nan"))
    ('0.63', '0', '12', '–')
    """
    if isinstance(value, str):
        return value
    if value is None or value is pd.NA or value is pd.NaT or value != value:
        return MISSING
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}"
    if isinstance(value, int | np.integer):
        return f"{value:,}"
    if isinstance(value, float | np.floating):
        text = amount(float(value), digits)
        return "0" if float(text.replace(",", "")) == 0 else text
    return str(value)


def p_value(p: float) -> str:
    """Write a p-value: three decimals, and nothing finer than "<0.001".

    Examples
    --------
    >>> p_value(0.0312), p_value(4e-9), p_value(float("nan"))
    ('0.031', '<0.001', '–')
    """
    if p != p:
        return MISSING
    return "<0.001" if p < 0.001 else f"{p:.3f}"


def percent(share: float) -> str:
    """Write a share as whole per cent, the ends as "under 1%" and "over 99%" when not exact.

    Examples
    --------
    >>> percent(0.634), percent(0.0004), percent(1.0)
    ('63%', 'under 1%', '100%')
    """
    if share != share:
        return MISSING
    if 0 < share < 0.005:
        return "under 1%"
    if 0.995 < share < 1:
        return "over 99%"
    return f"{100 * share:.0f}%"


def heading(column: str) -> str:
    """Turn a column's name into words, its unit in brackets.

    Examples
    --------
    >>> heading("gouge_centre_mm"), heading("density_g_cm3"), heading("prob_best")
    ('gouge centre (mm)', 'density (g/cm³)', 'prob best')
    """
    unit = unit_of(column)
    return f"{in_words(column)} ({unit})" if unit else in_words(column)


def span(low: float, high: float, digits: int = 0) -> str:
    """Write a range.

    Examples
    --------
    >>> span(19.6, 33.2), span(0.5, 0.731, 2)
    ('20 to 33', '0.50 to 0.73')
    """
    return f"{number(float(low), digits)} to {number(float(high), digits)}"


def written(frame: pd.DataFrame, digits: int | Mapping[str, int] = 2) -> pd.DataFrame:
    """Return the frame as text, every number written by the rules of this module.

    Parameters
    ----------
    frame : pandas.DataFrame
        Any tidy frame. A named index becomes the first columns; columns called as p-values are
        (``p``, ``p_value``, ``p_unc`` …) are written as p-values.
    digits : int or mapping
        Decimals of the floats, one for all or one a column (2 where a column is not named).

    Returns
    -------
    pandas.DataFrame
        Text in every cell, headings in words.

    Examples
    --------
    >>> frame = pd.DataFrame({"lot": ["a"], "density_g_cm3": [0.5512], "p": [1e-6]})
    >>> written(frame).iloc[0].to_dict()
    {'lot': 'a', 'density (g/cm³)': '0.55', 'p': '<0.001'}
    """
    if any(name is not None for name in frame.index.names):
        frame = frame.reset_index()
    decimals = digits if isinstance(digits, Mapping) else dict.fromkeys(frame.columns, digits)

    def cells(column: str) -> list[str]:
        if column in P_COLUMNS:
            return [p_value(value) for value in frame[column]]
        return [number(value, decimals.get(column, 2)) for value in frame[column]]

    return pd.DataFrame(
        {heading(str(column)): cells(column) for column in frame.columns}, dtype=object
    )


def table_html(frame: pd.DataFrame, digits: int | Mapping[str, int] = 2) -> str:
    """Return a frame as an HTML table: escaped, numbers written as in `written`, to the right.

    Parameters
    ----------
    frame : pandas.DataFrame
        Any tidy frame.
    digits : int or mapping
        As in `written`.
    """
    text = written(frame, digits)
    looks = {name: _look(text[name]) for name in text.columns}

    def cell(kind: str, name: str, value: str) -> str:
        return f"<{kind}{looks[name]}>{escape(value)}</{kind}>"

    head = "".join(cell("th", name, name) for name in text.columns)
    rows = (
        "".join(cell("td", name, row[name]) for name in text.columns)
        for row in text.to_dict("records")
    )
    body = "\n".join(f"<tr>{row}</tr>" for row in rows)
    return f"<table>\n<thead><tr>{head}</tr></thead>\n<tbody>\n{body}\n</tbody>\n</table>"


def _look(column: pd.Series) -> str:
    """Return the class of a column's cells: numbers are right-aligned, long text may wrap."""
    if column.str.fullmatch(rf"[-<]?[\d,.]+%?|{MISSING}").all():
        return ' class="figure"'
    return ' class="words"' if column.str.len().max() > 40 else ""
