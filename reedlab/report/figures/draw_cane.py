"""Pictures of the cane, of the gauge and of the workshop's air: a frame in, the Axes out."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reedlab.cane import gouge
from reedlab.report.figures.base import intervals, legend, marks, new_axes, on_two_lines, picture
from reedlab.report.figures.theme import DASHED, INK, LINE, PALETTE, PAPER, SOFT
from reedlab.report.words.numbers import heading

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@picture
def cross_section(piece: Mapping[str, Any]) -> Axes:
    """Draw a gouged piece's cross-section with the three readings on it, to scale.

    Parameters
    ----------
    piece : mapping
        A row of ``bench.cane``: diameter_mm, gouge_centre_mm, gouge_left_mm, gouge_right_mm,
        gouge_side_at_mm, and width_mm (a third of the tube where it is missing).

    Returns
    -------
    matplotlib.axes.Axes
    """
    three = [float(piece[f"gouge_{name}_mm"]) for name in ("centre", "left", "right", "side_at")]
    bark, side_at = float(piece["diameter_mm"]) / 2, three[3]
    width = float(piece.get("width_mm", np.nan))
    if np.isnan(width):
        width = 2 * bark * np.sin(np.pi / 3)
    angle = np.linspace(-1, 1, 301) * np.arcsin(min(width / 2 / bark, 1.0))
    wall = gouge.thickness_at_mm(bark * np.sin(angle), 2 * bark, *three)
    ax = new_axes(height=2.8)
    outline = np.append(np.full(301, bark), (bark - wall)[::-1])
    around = np.append(angle, angle[::-1])
    ax.fill(outline * np.sin(around), outline * np.cos(around), color=PALETTE[5], alpha=0.55)
    ax.plot(bark * np.sin(angle), bark * np.cos(angle), color=PALETTE[0], linewidth=2)
    ax.plot((bark - wall) * np.sin(angle), (bark - wall) * np.cos(angle), color=PALETTE[1])
    for at, thick in zip((-side_at, 0.0, side_at), (three[1], three[0], three[2])):
        turn = np.arcsin(at / bark)
        reach = np.array([bark - thick, bark])
        ax.plot(reach * np.sin(turn), reach * np.cos(turn), color=INK, linewidth=2.4)
        ax.annotate(
            f"{thick:.2f}",
            ((bark + 0.12) * np.sin(turn), (bark + 0.12) * np.cos(turn)),
            ha={-1: "right", 0: "center", 1: "left"}[int(np.sign(at))],
            va="bottom",
        )
    ax.set_aspect("equal")
    ax.margins(0.08, 0.12)
    ax.set_xlabel("across the strip, from its centre line (mm)")
    ax.set_ylabel("from the tube's centre (mm)")
    return ax


@picture
def gauge_readings(readings: pd.DataFrame, quantity: str) -> Axes:
    """Draw every reading of a gauge study, piece by piece, each hand with a shape of its own."""
    own = readings[readings["quantity"] == quantity].dropna(subset=["value"])
    own = own.astype({"operator": str})
    order = list(own.groupby("piece", observed=True)["value"].mean().sort_values().index)
    hands = sorted(own["operator"].unique())
    beside = {hand: 0.3 * ((k + 0.5) / len(hands) - 0.5) for k, hand in enumerate(hands)}
    rows = own["piece"].map({piece: row for row, piece in enumerate(order)}).astype(float)
    own["row"] = rows + own["operator"].map(beside).astype(float)
    ax = new_axes(height=1.1 + 0.3 * max(len(order), 3))
    keys = marks(ax, own, "value", "row", "operator", hands, s=36, alpha=0.75, edgecolor=PAPER)
    ax.set_yticks(range(len(order)), [on_two_lines(str(piece)) for piece in order])
    ax.set_ylabel("piece")
    ax.set_xlabel(heading(quantity))
    legend(ax, keys, title="hand", loc="lower right")
    return ax


@picture
def gauge_spread(spread: pd.DataFrame, quantity: str) -> Axes:
    """Draw a gauge study's sources of spread with their intervals."""
    name, _, unit = heading(quantity).partition(" (")
    label = f"standard deviation of {name}" + (f" ({unit}" if unit else "")
    ax = intervals(spread.reset_index(), "source", "sd", xlabel=label)
    ax.set_xlim(left=0)
    return ax


@picture
def agreement(pieces: pd.DataFrame, limits: pd.DataFrame, quantity: str) -> Axes:
    """Draw differences of two hands against their means, with the limits of agreement."""
    ax = new_axes(height=3.0)
    ax.axhline(0, **DASHED)
    for name, row in limits.iterrows():
        ax.axhspan(row["low"], row["high"], color=LINE, alpha=0.5, linewidth=0)
        ax.axhline(row["estimate"], color=PALETTE[2], linewidth=1.6)
        ax.annotate(
            str(name), (0.005, row["estimate"]), xycoords=("axes fraction", "data"),
            ha="left", va="bottom", color=SOFT,
        )  # fmt: skip
    ax.plot(pieces["mean"], pieces["difference"], "o", color=PALETTE[0], mec=PAPER)
    ax.set_xlabel(f"mean of the two, {heading(quantity)}")
    ax.set_ylabel("difference")
    return ax


@picture
def density_routes(table: pd.DataFrame) -> Axes:
    """Draw what difference of two pieces each way of taking density can show.

    Parameters
    ----------
    table : pandas.DataFrame
        What `reedlab.cane.density.compare_routes` returns.

    Returns
    -------
    matplotlib.axes.Axes
    """
    ax = intervals(table.assign(left=0.0005), "route", "tells_apart", "left", "tells_apart")
    ax.set_xscale("log")
    ax.set_xlim(left=0.001)
    ax.xaxis.set_major_formatter("{x:g}")
    ax.set_xlabel("least difference that shows (g/cm³)")
    return ax


@picture
def drift(pieces: pd.DataFrame, slopes: pd.DataFrame, column: str, reading: str) -> Axes:
    """Draw what the gouger cut over the days, with the line of each set-up.

    `reading` is what `slopes` calls the `column` of `pieces`.
    """
    ax = new_axes(height=3.2)
    set_ups = list(pieces["set_up"].unique())
    days = pieces.groupby(["set_up", "measured_on"], sort=False, as_index=False)[column].mean()
    marks(ax, pieces, "measured_on", column, "set_up", set_ups, s=12, alpha=0.35, linewidth=0)
    keys = marks(ax, days, "measured_on", column, "set_up", set_ups, s=49, edgecolor=PAPER)
    drawn = slopes[slopes["reading"] == reading].dropna(subset=["start_mm"])
    for row in drawn.itertuples():
        hundreds = (row.last - row.first).days / 100
        ends = [row.start_mm, row.start_mm + row.per_100_days_mm * hundreds]
        colour = PALETTE[set_ups.index(row.set_up) % len(PALETTE)]
        ax.plot([row.first, row.last], ends, color=colour, linewidth=2)
    ax.set_ylabel(f"{reading} (mm)")
    ax.set_xlabel("day of gouging")
    ax.tick_params(axis="x", rotation=30)
    legend(ax, keys, loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3)
    return ax


@picture
def workshop_months(months: pd.DataFrame) -> Axes:
    """Draw the moisture that the workshop's air gave by month, heated months marked."""
    ax = new_axes(height=3.2)
    when = months["month"]
    for row in months[months["heated"] > 0.5].itertuples():
        ax.axvspan(row.month, row.month + pd.offsets.MonthBegin(1), color=LINE, alpha=0.6, lw=0)
    middle = when + pd.Timedelta(days=14)
    ax.vlines(
        middle, months["moisture_low_pct"], months["moisture_high_pct"], color=PALETTE[2], lw=2.4
    )
    ax.plot(middle, months["moisture_pct"], "o", color=PALETTE[0], markersize=6)
    ax.set_ylabel("moisture, were the cane wood (%)")
    ax.set_xlabel("month; shaded: mostly heated")
    ax.tick_params(axis="x", rotation=30)
    return ax
