"""Pictures of what was not measured: a frame in, the Axes out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reedlab.report.figures.base import name_rows, new_axes, picture, ratios
from reedlab.report.figures.theme import LINE, PALETTE, PAPER, PERCENT
from reedlab.report.words.numbers import heading

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_SHOWN = 3  # imputations drawn of each piece
_LEGEND: dict[str, Any] = {  # in a row above the picture
    "loc": "upper left", "ncols": 2, "handletextpad": 0.2, "borderaxespad": 0, "frameon": False,
}  # fmt: skip


@picture
def both_ways(effects: pd.DataFrame, xlabel: str = "") -> Axes:
    """Draw each effect twice: unmeasured reeds left out, and filled in."""
    left_out = {"left_out": "ratio", "left_out_low": "low", "left_out_high": "high"}
    ax = ratios(effects.rename(columns=left_out), "effect", xlabel=xlabel)
    rows = np.arange(len(effects)) + 0.28
    low, high = effects["filled_in_low"], effects["filled_in_high"]
    ax.hlines(rows, low, high, color=PALETTE[3], linewidth=2.4)
    ax.plot(effects["filled_in"], rows, "s", color=PALETTE[1], markersize=6)
    left, filled = ax.lines[0], ax.lines[-1]
    ax.legend([left, filled], ["left out", "filled in"], bbox_to_anchor=(0, 1.14), **_LEGEND)
    return ax


@picture
def bench_shares(table: pd.DataFrame) -> Axes:
    """Draw each supplier's share of the bench, of all reeds and of those measured."""
    ax = new_axes(height=1.2 + 0.36 * max(len(table), 2))
    rows = np.arange(len(table))
    ax.hlines(rows, table["bench_share"], table["bench_share_kept"], color=LINE, linewidth=3)
    ax.plot(table["bench_share"], rows, "o", color=PALETTE[0], markersize=7, label="all reeds")
    ax.plot(
        table["bench_share_kept"], rows, "D", color=PALETTE[3], mec=PAPER, markersize=7,
        label="measured reeds",
    )  # fmt: skip
    counted = zip(table["supplier"].astype(str), table["measured"], table["reeds"])
    name_rows(ax, [f"{who}, {known} of {tied}" for who, known, tied in counted])
    ax.set_xlim(left=0)
    ax.xaxis.set_major_formatter(PERCENT)
    ax.set_xlabel("share of the bench", loc="right")
    ax.legend(bbox_to_anchor=(0, 1.16), **_LEGEND)
    return ax


@picture
def filled_in(values: pd.DataFrame, column: str) -> Axes:
    """Draw lot by lot what was read and, beside it, a few of the values filled in.

    A reading is a dark dot, a filled-in value a light cross; bars hold the middle 95 in a hundred
    of all that was filled in for the lot.
    """
    own = values[values["column"] == column]
    lots = own[["supplier", "lot"]].drop_duplicates().sort_values(["supplier", "lot"])
    row = {lot: place for place, lot in enumerate(lots["lot"])}
    ax = new_axes(height=1.2 + 0.3 * max(len(lots), 2))
    read, drawn = own[own["measured"]], own[~own["measured"]]
    few = drawn[drawn["imputation"] <= _SHOWN]
    middle = drawn.groupby("lot")["value"].quantile([0.025, 0.975]).unstack()
    places = middle.index.map(row).to_numpy(dtype=float) + 0.22
    ax.hlines(places, middle[0.025], middle[0.975], color=PALETTE[3], linewidth=1.6, zorder=3)
    for part, shift, mark, colour, label in (
        (read, -0.18, ".", PALETTE[0], "read"),
        (few, 0.22, "x", PALETTE[5], "filled in"),
    ):
        ax.plot(
            part["value"], part["lot"].map(row).astype(float) + shift, mark, color=colour,
            markersize=4, alpha=0.6, label=label,
        )  # fmt: skip
    name_rows(ax, lots["supplier"] + " " + lots["lot"], 0.6, 0.6)
    ax.set_xlabel(heading(column))
    ax.legend(bbox_to_anchor=(0, 1.06), **_LEGEND)
    return ax
