"""Pictures of suppliers: where their pieces went, and whether the choice of one stays."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.report.figures import INK, MARKERS, PALETTE, PAPER, new_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

PARTS = {
    "good": ("good",),
    "playable": ("playable",),
    "reject": ("reject",),
    "given up, broken": ("given up", "broken"),
    "pending, not tied": ("pending", "not tied yet"),
    "lost before tying": ("lost before tying",),
}
"""What becomes of a piece, as drawn, and the stages of `decide.selection.flow` that it sums."""
_HATCHES = ("", "//", "..", "xx", "", "\\\\")


def flow(frame: pd.DataFrame) -> Axes:
    """Draw what became of every piece of each supplier, a bar a supplier.

    Parameters
    ----------
    frame : pandas.DataFrame
        ``Selection.flow``: supplier, stage, pieces.

    Returns
    -------
    matplotlib.axes.Axes
        Pieces to the right, in the order from good reeds to losses; each part has a colour and a
        hatch of its own.
    """
    wide = frame.pivot(index="supplier", columns="stage", values="pieces")
    ax = new_axes(height=1.5 + 0.42 * max(len(wide), 2))
    rows, left = np.arange(len(wide)), np.zeros(len(wide))
    for (part, stages), colour, hatch in zip(PARTS.items(), PALETTE, _HATCHES):
        pieces = wide[list(stages)].sum(axis=1).to_numpy(float)
        ax.barh(
            rows, pieces, 0.7, left, label=part, color=colour, hatch=hatch, edgecolor=PAPER,
            linewidth=0.6,
        )  # fmt: skip
        left += pieces
    ax.set_yticks(rows, wide.index.astype(str))
    ax.set_ylim(len(wide) - 0.5, -0.5)
    ax.grid(visible=False, axis="y")
    ax.set_xlabel("pieces")
    ax.figure.legend(loc="outside lower center", ncols=3, fontsize=9, frameon=False)
    return ax


def chances(frame: pd.DataFrame, by: str) -> Axes:
    """Draw each supplier's probability of being the cheapest, a mark for each way of asking.

    Parameters
    ----------
    frame : pandas.DataFrame
        ``Robustness.table`` or ``Selection.bounds``: `by`, supplier, prob_best.
    by : str
        The column that tells the ways apart: ``"variant"`` or ``"assumption"``.

    Returns
    -------
    matplotlib.axes.Axes
        On an axis from nothing to all, in per cent; suppliers in the order of the first way.
    """
    from matplotlib.ticker import PercentFormatter

    ways = frame[by].unique()
    order = frame.loc[frame[by] == ways[0], "supplier"].tolist()
    ax = new_axes(height=1.4 + 0.2 * len(ways) + 0.4 * max(len(order), 2))
    step = 0.6 / len(ways)
    for i, way in enumerate(ways):
        own = frame[frame[by] == way].set_index("supplier")["prob_best"].reindex(order)
        at = np.arange(len(order)) + (i - (len(ways) - 1) / 2) * step
        ax.plot(
            own, at, MARKERS[i % len(MARKERS)], color=PALETTE[i % len(PALETTE)], label=way,
            markersize=6, markeredgecolor=INK, markeredgewidth=0.5,
        )  # fmt: skip
    ax.set_yticks(np.arange(len(order)), order)
    ax.set_ylim(len(order) - 0.5, -0.5)
    ax.set_xlim(-0.03, 1.03)
    ax.xaxis.set_major_formatter(PercentFormatter(1))
    ax.grid(visible=False, axis="y")
    ax.set_xlabel("probability of being the cheapest")
    ax.figure.legend(loc="outside lower center", ncols=1, fontsize=9, frameon=False)
    return ax
