"""The picture of prices: what to ask for a reed of each supplier, beside what it fetches."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.report.figures.base import intervals, legend, picture
from reedlab.report.figures.theme import INK

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@picture
def ask_and_fetched(frame: pd.DataFrame, currency: str, wage: float) -> Axes:
    """Draw the price that earns the wage with its range, and the mean price that reeds fetch.

    Parameters
    ----------
    frame : pandas.DataFrame
        ``Price.table``.
    currency : str
    wage : float
        An hour's.

    Returns
    -------
    matplotlib.axes.Axes
        A supplier a row, the cheapest on top.
    """
    label = f"price of a reed that earns {wage:g} {currency} an hour ({currency})"
    ax = intervals(frame, "supplier", "ask", "ask_low", "ask_high", xlabel=label)
    rows = np.arange(len(frame))
    (fetched,) = ax.plot(frame["fetched"], rows, "|", color=INK, markersize=17, markeredgewidth=2.2)
    ax.set_xlim(left=0)
    legend(ax.figure, {"what they fetch now": fetched}, loc="outside lower center", fontsize=9)
    return ax
