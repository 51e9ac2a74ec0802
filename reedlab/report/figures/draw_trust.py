"""Pictures of how often stated intervals and probabilities came true on simulated benches."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.report.figures.base import legend, marks, name_rows, new_axes, picture, said_and_met
from reedlab.report.figures.theme import DASHED, MARKERS, PALETTE, PERCENT
from reedlab.report.words.trust_words import NEXT_LOT

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis

_LINES = {
    "variances known": "true variances known",
    "posterior": "reedlab",
    "plug-in": "variances treated as known",
}


@picture
def coverage(frame: pd.DataFrame) -> Axes:
    """Draw how often 95 % intervals held the truth: a row a quantity, a shape a supplier count.

    The band is the range that the share of an exact interval keeps to, for all rows together.

    Parameters
    ----------
    frame : pandas.DataFrame
        ``design``, ``quantity``, ``level``, ``share``, ``low``, ``high``.

    Returns
    -------
    matplotlib.axes.Axes
    """
    own = frame[np.isclose(frame["level"], 0.95)]
    quantities = list(dict.fromkeys(own["quantity"]))
    ax = new_axes(height=1.3 + 0.36 * len(quantities))
    ax.axvspan(own["low"].min(), own["high"].max(), color=PALETTE[4], alpha=0.3, linewidth=0)
    ax.axvline(0.95, **DASHED)
    designs = list(own["design"].unique())
    aside = 0.2 * (own["design"].map(designs.index) - 1)
    rows = own.assign(row=own["quantity"].map(quantities.index) + aside)
    keys = marks(ax, rows, "share", "row", "design", designs, s=36, linewidth=0)
    name_rows(ax, quantities)
    _whole_percents(ax.xaxis)
    ax.set_xlabel("95% intervals that held the truth", loc="right")
    legend(ax.figure, keys, loc="outside upper center", ncols=len(keys))
    return ax


@picture
def stated_and_met(frame: pd.DataFrame) -> Axes:
    """Draw how often a supplier was the best against the probability that was stated.

    Parameters
    ----------
    frame : pandas.DataFrame
        ``stated``, ``was_best``, and ``low``, ``high``: what the share keeps to if the statement
        is right.

    Returns
    -------
    matplotlib.axes.Axes
    """
    return said_and_met(
        frame,
        "stated",
        "was_best",
        "stated probability of being the best supplier",
        "share that was the best",
    )


@picture
def fixed_truths(frame: pd.DataFrame) -> Axes:
    """Draw how often 95 % intervals of a next lot's success held a fixed truth, method by method.

    Parameters
    ----------
    frame : pandas.DataFrame
        ``sd_supplier``, ``sd_lot``, ``what``, ``method``, ``benches``, ``coverage``.

    Returns
    -------
    matplotlib.axes.Axes
    """
    own = frame[(frame["what"] == NEXT_LOT) & frame["method"].isin(_LINES)]
    truths = own[["sd_supplier", "sd_lot"]].drop_duplicates().sort_values(["sd_supplier", "sd_lot"])
    places = pd.MultiIndex.from_frame(truths)
    ax = new_axes(height=3.6)
    ax.axhline(0.95, **DASHED)
    for place, (method, label) in enumerate(_LINES.items()):
        part = own[own["method"] == method]
        at = places.get_indexer(pd.MultiIndex.from_frame(part[["sd_supplier", "sd_lot"]]))
        half = 1.96 * np.sqrt(part["coverage"] * (1 - part["coverage"]) / part["benches"])
        x, look = at + 0.16 * (place - 1), PALETTE[place]
        ax.errorbar(
            x, part["coverage"], half, fmt=MARKERS[place], color=look, elinewidth=2, label=label
        )
    ax.set_xticks(range(len(places)), [f"{s:g}\n{v:g}" for s, v in places])
    ax.set_xlabel("standard deviation of suppliers (above) and lots (below), logit")
    ax.set_ylabel("intervals that held the truth")
    _whole_percents(ax.yaxis)
    ax.grid(visible=False, axis="x")
    ax.figure.legend(loc="outside upper left", frameon=False)
    return ax


def _whole_percents(axis: Axis) -> None:
    from matplotlib.ticker import MaxNLocator

    axis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    axis.set_major_formatter(PERCENT)
