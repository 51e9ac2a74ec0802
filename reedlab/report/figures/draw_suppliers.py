"""Pictures of suppliers: where their pieces went, how robust a choice is, what to ask."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.report.figures.base import (
    intervals,
    legend,
    marks,
    name_rows,
    new_axes,
    on_two_lines,
    picture,
)
from reedlab.report.figures.theme import INK, PALETTE, PERCENT

if TYPE_CHECKING:
    from matplotlib.axes import Axes

GATES = ("came in", "tied", "judged", "good", "stayed good")
"""What a piece passes on its way, as drawn; at each gap some leave it."""


@picture
def flow(frame: pd.DataFrame) -> Axes:
    """Draw how each supplier's pieces go through the workshop, and where they leave.

    A stream's height is the pieces that are still in it, the pale parts those that leave before the
    next gate. Pieces that came in of lots without a count are those that were tied, marked by
    ``≥``.
    """
    wide = frame.pivot(index="supplier", columns="stage", values="pieces")
    unknown = frame[frame["stage"] == "came in"].set_index("supplier")["lots_unknown"]
    ax = new_axes(height=0.8 + 0.78 * max(len(wide), 2))
    streams = {}
    for name, n in wide.iterrows():
        never = n["lost before tying"] + n["not tied yet"]
        judged, other = n["tied"] - n["pending"], n["broken"] + n["reject"] + n["playable"]
        back = min(n["returned"], n["good"])
        streams[name] = (
            [n["tied"] + never, n["tied"], judged, n["good"], n["good"] - back],
            [
                f"{never} never\ntied",
                f"{n['pending']} pending",
                f"{n['given up']} given up\n{other} not good",
                f"{back} back",
            ],
        )
    most = max(max(held[0], 1) for held, _ in streams.values())
    along = np.linspace(0, 1, 40)
    ease = along**2 * (3 - 2 * along)
    for row, (name, (held, leave)) in enumerate(streams.items()):
        for k, (pieces, next_pieces) in enumerate(pairwise(held)):
            x, kept, lost = k + along, 0.6 * next_pieces / most, 0.6 * (pieces - next_pieces) / most
            ax.fill_between(x, row, row - kept, color=PALETTE[2], linewidth=0)
            ax.fill_between(
                x, row - kept, row - kept - lost * (1 - ease), color=PALETTE[5], linewidth=0
            )
            ax.text(k + 0.3, row + 0.05, leave[k], fontsize=7, va="top", color=INK)
        for k, pieces in enumerate(held):
            mark = "≥" if k == 0 and unknown[name] else ""
            ax.plot([k, k], [row, row - 0.6 * pieces / most], color=INK, linewidth=1.2)
            ax.text(
                k, row - 0.6 * pieces / most - 0.04, f"{mark}{pieces}", fontsize=8, ha="center",
                va="bottom",
            )  # fmt: skip
    ax.set_yticks(np.arange(len(streams)) - 0.1, [on_two_lines(str(name)) for name in streams])
    ax.set_ylim(len(streams) - 0.65, -0.9)
    ax.set_xlim(-0.25, len(GATES) - 0.75)
    ax.set_xticks(range(len(GATES)), GATES)
    ax.grid(visible=False)
    ax.set_xlabel("pieces and reeds")
    return ax


@picture
def chances(frame: pd.DataFrame, by: str) -> Axes:
    """Draw each supplier's probability of being the cheapest, a mark for each way of asking.

    Suppliers are in the order of the first way; `by` is the column with the ways.
    """
    ways = list(frame[by].unique())
    order = frame.loc[frame[by] == ways[0], "supplier"].tolist()
    ax = new_axes(height=1.4 + 0.2 * len(ways) + 0.4 * max(len(order), 2))
    aside = frame[by].map(ways.index) - (len(ways) - 1) / 2
    rows = frame.assign(row=frame["supplier"].map(order.index) + 0.6 / len(ways) * aside)
    keys = marks(ax, rows, "prob_best", "row", by, ways, s=36, edgecolor=INK)
    name_rows(ax, order)
    ax.set_xlim(-0.03, 1.03)
    ax.xaxis.set_major_formatter(PERCENT)
    ax.set_xlabel("probability of being the cheapest")
    legend(ax.figure, keys, loc="outside lower center", fontsize=9)
    return ax


@picture
def ask_and_fetched(frame: pd.DataFrame, currency: str, wage: float) -> Axes:
    """Draw the price that earns the wage with its range, and the mean price that reeds fetch."""
    label = f"price of a reed that earns {wage:g} {currency} an hour ({currency})"
    ax = intervals(frame, "supplier", "ask", "ask_low", "ask_high", xlabel=label)
    rows = np.arange(len(frame))
    (fetched,) = ax.plot(frame["fetched"], rows, "|", color=INK, markersize=17, markeredgewidth=2.2)
    ax.set_xlim(left=0)
    legend(ax.figure, {"what they fetch now": fetched}, loc="outside lower center", fontsize=9)
    return ax
