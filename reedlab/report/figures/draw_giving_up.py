"""Pictures of blanks after the rough scrape: how those with a sign turned out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reedlab.report.figures.base import picture, shares
from reedlab.report.figures.theme import DASHED

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@picture
def signs(frame: pd.DataFrame, threshold: float) -> Axes:
    """Draw the share of good reeds among blanks with each sign, and where finishing stops paying.

    frame: ``GivingUp.table``.
    threshold: ``Stakes.threshold``: the chance of success at which going on breaks even.
    """
    ax = shares(frame, "sign", "good", xlabel="blanks with this sign that turned out good")
    ax.axvline(threshold, **DASHED)
    return ax
