"""Pictures of whether a model does."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reedlab.report.figures.base import picture, said_and_met

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@picture
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
    return said_and_met(
        bins, "predicted", "observed", "chance of a good reed, foretold", "share that was good"
    )
