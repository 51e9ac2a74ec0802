"""Pictures of lots: every piece of each, and their means."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reedlab.report.cross_checks import most_measured
from reedlab.report.figures.base import marks, name_rows, new_axes, picture
from reedlab.report.figures.theme import INK, PAPER
from reedlab.report.words.numbers import heading

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@picture
def by_lot(frame: pd.DataFrame, column: str) -> Axes:
    """Draw every piece's value by lot, and each lot's mean with its 95 % interval.

    Suppliers have a colour and a shape each.

    Parameters
    ----------
    frame : pandas.DataFrame
        One row a piece, ``supplier`` and ``lot``, such as ``bench.cane``; see `most_measured`.
    column : str
        The property to draw; rows without it are left out.

    Returns
    -------
    matplotlib.axes.Axes
    """
    import seaborn as sns

    known = most_measured(frame, column).astype({"supplier": str})
    groups = known.groupby(["supplier", "lot"], sort=True)
    known = known.assign(
        row=groups.ngroup(), place=groups.cumcount(), of=groups["lot"].transform("size")
    )
    # The pieces of a row are spread evenly over its height, in the order of the records.
    middle, room = (known["of"] - 1) / 2, (known["of"] - 1).clip(lower=1)
    known["at"] = known["row"] + 0.32 * (known["place"] - middle) / room
    lots = known.groupby(["supplier", "lot", "row"], as_index=False)[column].mean()
    suppliers = sorted(known["supplier"].unique())
    ax = new_axes(height=0.9 + 0.34 * max(len(lots), 2))
    marks(ax, known, column, "at", "supplier", suppliers, s=12, alpha=0.45, linewidth=0)
    sns.pointplot(
        known, x=column, y="row", orient="y", native_scale=True, errorbar=_t_interval, marker="",
        color=INK, linestyle="none", err_kws={"linewidth": 2.2}, ax=ax,
    )  # fmt: skip
    marks(ax, lots, column, "row", "supplier", suppliers, s=64, edgecolor=PAPER, zorder=3)
    name_rows(ax, lots["supplier"] + " " + lots["lot"], 0.6, 0.6)
    ax.set(xlabel=heading(column), ylabel="")
    return ax


def _t_interval(values: pd.Series) -> tuple[float, float]:
    """Return the 95 % interval of a mean, by Student's t."""
    from scipy import stats

    half = stats.t.ppf(0.975, len(values) - 1) * stats.sem(values)
    return values.mean() - half, values.mean() + half
