"""Pictures of the priors: what they imply, and what the records made of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.report.figures.base import name_rows, new_axes, picture
from reedlab.report.figures.theme import DASHED, INK, PALETTE, PERCENT, SOFT
from reedlab.report.words.prior_words import levels

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@picture
def implied(frame: pd.DataFrame, typical: float, xlabel: str) -> Axes:
    """Draw what another supplier, lot or maker may do, by the priors alone.

    Parameters
    ----------
    frame : pandas.DataFrame
        `reedlab.mixed.posterior.prior_check.implied`: the thin line holds nine in ten, the thick
        one half.
    typical : float
        What the one that is known does; a dashed line.
    xlabel : str
        What is on the axis, with its unit. Chances, all between 0 and 1, are written in per cent,
        larger values on a logarithmic axis.

    Returns
    -------
    matplotlib.axes.Axes
    """
    from matplotlib.ticker import LogLocator

    ax = new_axes(height=0.9 + 0.36 * len(frame))
    rows = np.arange(len(frame))
    ax.axvline(typical, **DASHED)
    ax.hlines(rows, frame["low"], frame["high"], color=PALETTE[2], linewidth=1.4)
    ax.hlines(rows, frame["lower"], frame["upper"], color=PALETTE[0], linewidth=5)
    if frame["high"].max() <= 1:
        ax.set_xlim(0, 1)
        ax.xaxis.set_major_formatter(PERCENT)
    else:
        ax.set_xscale("log")
        ax.xaxis.set_major_locator(LogLocator(subs=(1, 2, 3, 5)))
        ax.xaxis.set_major_formatter("{x:g}")
        ax.xaxis.set_minor_formatter("")
    name_rows(ax, [f"another {other}" for other in frame["other"]])
    ax.set_xlabel(xlabel, loc="right")
    return ax


@picture
def beside(frame: pd.DataFrame, xlabel: str) -> Axes:
    """Draw the posterior of each standard deviation as a filled outline over its prior, a row each.

    Densities of one row share their height; from row to row it differs.
    """
    names = list(frame["parameter"].unique())
    ax = new_axes(height=0.9 + 0.8 * len(names))
    for row, name in enumerate(names):
        own = frame[frame["parameter"] == name]
        tall = 0.85 / own[["prior", "posterior"]].to_numpy().max()
        after, before = ("with the records", "before the records") if row == 0 else ("_", "_")
        ax.fill_between(
            own["at"], row, row - tall * own["posterior"], step="mid", color=PALETTE[4],
            linewidth=0, label=after,
        )  # fmt: skip
        ax.plot(
            own["at"], row - tall * own["prior"], color=INK, linestyle=(0, (4, 2)), label=before
        )
        ax.axhline(row, color=SOFT, linewidth=0.6)
    name_rows(ax, [levels(name) for name in names], 0.2, 0.9)
    ax.set_xlim(left=0)
    ax.set_xlabel(xlabel, loc="right")
    ax.legend(loc="lower right", bbox_to_anchor=(1, 1), ncols=2, frameon=False)
    return ax
