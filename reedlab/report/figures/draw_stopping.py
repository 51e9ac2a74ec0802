"""Pictures of stopping early: what rules save, which measures matter, how signs turned out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reedlab.report.figures.base import intervals, picture, ratios, shares
from reedlab.report.figures.theme import DASHED

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@picture
def slopes(frame: pd.DataFrame) -> Axes:
    """Draw the odds ratio of a good reed for each measure, one standard deviation within lots."""
    return ratios(frame, "measure", "odds_ratio", xlabel="odds of a good reed, for one step more")


@picture
def savings(frame: pd.DataFrame, unit: str) -> Axes:
    """Draw what each rule saved on held-out lots (a currency, or minutes), with intervals."""
    what = f"saved for 100 blanks ({unit})"
    ax = intervals(frame.reset_index(), "rule", "saving", xlabel=what)
    ax.axvline(0.0, **DASHED)
    return ax


@picture
def signs(frame: pd.DataFrame, threshold: float) -> Axes:
    """Draw the share of good reeds among blanks with each sign, and where finishing stops paying.

    At the `threshold`, a chance of success, going on breaks even.
    """
    ax = shares(frame, "sign", "good", xlabel="blanks with this sign that turned out good")
    ax.axvline(threshold, **DASHED)
    return ax
