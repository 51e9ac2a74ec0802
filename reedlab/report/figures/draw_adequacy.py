"""Pictures of how well a model predicts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reedlab.report.figures.base import picture, said_and_met

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@picture
def calibration(bins: pd.DataFrame) -> Axes:
    """Draw the share that succeeded against the predicted chance; they agree on the dashed line.

    Parameters
    ----------
    bins : pandas.DataFrame
        ``fit.calibration(...).bins``: ``predicted``, ``observed``, ``low``, ``high``.

    Returns
    -------
    matplotlib.axes.Axes
    """
    return said_and_met(
        bins, "predicted", "observed", "predicted chance of a good reed", "share that was good"
    )
