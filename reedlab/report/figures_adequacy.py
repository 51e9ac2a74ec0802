"""Pictures of whether a model does."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reedlab.report.figures import PALETTE, SOFT, new_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def calibration(bins: pd.DataFrame) -> Axes:
    """Draw the share that succeeded against the chance foretold, a dashed line where they agree.

    Parameters
    ----------
    bins : pandas.DataFrame
        ``fit.calibration(...).bins``: ``predicted``, ``observed``, ``low``, ``high``.

    Returns
    -------
    matplotlib.axes.Axes
    """
    from matplotlib.ticker import PercentFormatter

    ax = new_axes(height=3.8)
    ax.plot([0, 1], [0, 1], color=SOFT, linewidth=1, linestyle=(0, (4, 3)))
    ax.vlines(bins["predicted"], bins["low"], bins["high"], color=PALETTE[2], linewidth=2.4)
    ax.plot(bins["predicted"], bins["observed"], "o", color=PALETTE[0], markersize=6.5)
    ax.set(xlim=(0, 1), ylim=(0, 1))
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_formatter(PercentFormatter(1, decimals=0))
    ax.set_xlabel("chance of a good reed, foretold", loc="right")
    ax.set_ylabel("share that was good")
    return ax
