"""Pictures of rules for passing over pieces: what each saves, and each measure's odds ratio."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reedlab.report.figures.base import intervals, picture, ratios
from reedlab.report.figures.theme import DASHED

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@picture
def slopes(frame: pd.DataFrame) -> Axes:
    """Draw the odds ratio of a good reed for each measure, one standard deviation within lots.

    frame: ``PassingOver.table``.
    Returns: On a logarithmic axis, a line at 1 for no difference.
    """
    return ratios(
        frame,
        "measure",
        "odds_ratio",
        xlabel="odds of a good reed, for one step more",
    )


@picture
def savings(frame: pd.DataFrame, unit: str) -> Axes:
    """Draw what each rule saved on held-out lots, with intervals over lots.

    frame: ``rules`` of a `PassingOver` or `GivingUp`.
    unit: of the savings: a currency, or minutes.
    Returns: A line at 0 for going on with every blank.
    """
    what = f"saved for 100 blanks ({unit})"
    ax = intervals(frame.reset_index(), "rule", "saving", xlabel=what)
    ax.axvline(0.0, **DASHED)
    return ax
