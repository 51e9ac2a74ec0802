"""Tables for print and for a terminal: frames in, text or a great_tables object out."""

from __future__ import annotations

import pandas as pd

from reedlab.report.numbers import percent


def suppliers_in_words(ranking: pd.DataFrame, currency: str) -> pd.DataFrame:
    """Write the supplier table as a maker reads it, each estimate with its 90 % interval.

    Parameters
    ----------
    ranking : pandas.DataFrame
        As `reedlab.rank_suppliers` gives it.
    currency : str
        What costs are counted in.

    Returns
    -------
    pandas.DataFrame
        Text, one row a supplier, in the order given.
    """
    rows = ranking.to_dict("records")
    chance = [
        f"{percent(row['success'])} ({_range(100 * row['success_low'], 100 * row['success_high'])})"
        for row in rows
    ]
    cost = [f"{row['cost']:.2f} ({_range(row['cost_low'], row['cost_high'], 2)})" for row in rows]
    return pd.DataFrame(
        {
            "supplier": ranking["supplier"].astype(str),
            "lots": ranking["lots"].astype(str),
            "reeds": ranking["reeds"].astype(str),
            "good reeds of its next lot": chance,
            "bench minutes": [f"{minutes:.0f}" for minutes in ranking["minutes"]],
            f"cost of one, {currency}": cost,
            "cheapest": [percent(share) for share in ranking["prob_best"]],
        }
    )


def _range(low: float, high: float, digits: int = 0) -> str:
    return f"{low:.{digits}f} to {high:.{digits}f}"


def plain(ranking: pd.DataFrame, currency: str) -> str:
    """Write the supplier table for a terminal.

    Parameters
    ----------
    ranking : pandas.DataFrame
        As `reedlab.rank_suppliers` gives it.
    currency : str
        What costs are counted in.
    """
    words = suppliers_in_words(ranking, currency)
    columns = [[name, *words[name]] for name in words]
    widths = [max(map(len, column)) for column in columns]
    rows = [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths)).rstrip()
        for row in zip(*columns)
    ]
    note = "In brackets: 90 % intervals. Cheapest: the chance of the lowest expected cost."
    return "\n".join([rows[0], "-" * len(rows[0]), *rows[1:], note])
