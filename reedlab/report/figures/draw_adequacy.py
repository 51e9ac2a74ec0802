"""Pictures of how well a model fits and predicts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.report.figures.base import name_rows, new_axes, picture, said_and_met
from reedlab.report.figures.theme import INK, PALETTE

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_DAYS = r"\d{4}-\d\d-\d\d to "  # how a bin of days is named


@picture
def calibration(bins: pd.DataFrame) -> Axes:
    """Draw the share that succeeded against the predicted chance; they agree on the dashed line."""
    return said_and_met(
        bins, "predicted", "observed", "predicted chance of a good reed", "share that was good"
    )


@picture
def binned(bins: pd.DataFrame, what: str) -> Axes:
    """Draw the mean response of each bin of one check beside where the model expects it."""
    if bins["centre"].isna().any():
        rows = bins.rename(columns={"bin": "value"})
        ax = _across(rows, "mean response")
        ax.plot(bins["predicted"], np.arange(len(bins)), "x", color=INK, markersize=5)
        return ax
    ax = new_axes()
    days = bins["bin"].str.match(_DAYS).all()
    centre = np.arange(len(bins)) if days else bins["centre"].to_numpy()
    ax.vlines(centre, bins["low"], bins["high"], color=PALETTE[2], linewidth=2.4)
    ax.plot(centre, bins["predicted"], "x", color=INK, markersize=5)
    ax.plot(centre, bins["observed"], "o", color=PALETTE[0], markersize=6.5)
    if days:
        ax.set_xticks(centre, [label.replace(" to ", "\nto ") for label in bins["bin"]])
    ax.set_ylabel("mean response")
    ax.set_xlabel(what, loc="right")
    return ax


@picture
def made_and_met(frame: pd.DataFrame, what: str, measure: str = "share of the rows") -> Axes:
    """Draw what came as dots over the ranges of what a model makes, by number or in named rows."""
    if not pd.api.types.is_numeric_dtype(frame["value"].dtype):
        return _across(frame, measure)
    ax = new_axes()
    ax.vlines(frame["value"], frame["low"], frame["high"], color=PALETTE[2], linewidth=5)
    ax.plot(frame["value"], frame["observed"], "o", color=PALETTE[0], markersize=5)
    ax.set_ylim(bottom=0)
    ax.set_ylabel(measure)
    ax.set_xlabel(what, loc="right")
    return ax


def _across(frame: pd.DataFrame, measure: str) -> Axes:
    """Dots and ranges of named rows, the first on top."""
    ax = new_axes(height=0.9 + 0.3 * max(len(frame), 2))
    rows = np.arange(len(frame))
    ax.hlines(rows, frame["low"], frame["high"], color=PALETTE[2], linewidth=5)
    ax.plot(frame["observed"], rows, "o", color=PALETTE[0], markersize=5)
    name_rows(ax, frame["value"])
    ax.set_xlabel(measure, loc="right")
    return ax
