"""Pictures of the season: smooth effects with their bands."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reedlab.report.figures.base import new_axes, picture
from reedlab.report.figures.theme import PALETTE, PERCENT

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_VALUE = {
    "success": "share of reeds that turn out good",
    "minutes": "minutes to scrape a good reed",
}
_MONTHS = {1: "Jan", 91: "Apr", 182: "Jul", 274: "Oct", 365: "Jan"}


@picture
def smooth(frame: pd.DataFrame, measure: str, over: str) -> Axes:
    """Draw one smooth effect on success or minutes, over moisture or the year, with its band."""
    own = frame[(frame["measure"] == measure) & (frame["over"] == over)]
    ax = new_axes()
    ax.fill_between(own["at"], own["low"], own["high"], color=PALETTE[0], alpha=0.2, linewidth=0)
    ax.plot(own["at"], own["value"], color=PALETTE[0])
    ax.set_ylabel(_VALUE[measure])
    if measure == "success":
        ax.set_ylim(0, 1)
        ax.yaxis.set_major_formatter(PERCENT)
    else:
        ax.set_ylim(bottom=0)
    if over == "moisture":
        ax.set_xlabel("moisture that wood would hold in that air (%)")
    else:
        ax.set_xticks([day - 1 for day in _MONTHS], list(_MONTHS.values()))
        ax.set_xlabel("time of year at tying")
    return ax
