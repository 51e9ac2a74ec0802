"""The one look of every picture: colours, marks and the theme."""

from __future__ import annotations

from typing import Any

PAPER = "#fffdf8"
INK = "#2a241c"
SOFT = "#6a5f50"
LINE = "#dccfb4"
# Dark to light in steps that grey shows; distinct also for the three kinds of colour blindness.
PALETTE = ("#14293d", "#8c2f1b", "#2f6f8f", "#b5762a", "#7fa894", "#e0bd6b")
BY_NIGHT = dict(zip(
    (PAPER, INK, SOFT, LINE, *PALETTE),
    ("#2a241c", "#ece2cf", "#b3a68f", "#4b4032",
     "#cfe6f5", "#f0a58c", "#79b8d6", "#dc9f55", "#7fa894", "#a88a45"),
))  # fmt: skip
"""The colour that takes the place of each where the reader's screen is dark."""
MARKERS = ("o", "s", "^", "D", "v", "P")
DASHED: dict[str, Any] = {"color": SOFT, "linewidth": 1, "linestyle": (0, (4, 3))}
"""A reference line."""
PERCENT = "{x:.0%}"
FONT = "DejaVu Sans"  # comes with matplotlib: the same picture everywhere


def theme() -> dict[str, Any]:
    """Return the one look of every picture, as keys and values of ``matplotlib.rcParams``."""
    return {
        "figure.facecolor": PAPER,
        "figure.dpi": 100,
        "savefig.dpi": 160,
        "svg.fonttype": "none",  # letters stay letters
        "svg.hashsalt": "reedlab",  # the same ids every time
        "savefig.facecolor": PAPER,
        "axes.facecolor": PAPER,
        "axes.edgecolor": SOFT,
        "axes.labelcolor": INK,
        "axes.titlecolor": INK,
        "axes.titlelocation": "left",
        "axes.titlesize": 11,
        "axes.labelsize": 10,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.grid": True,
        "axes.axisbelow": True,
        "grid.color": LINE,
        "grid.linewidth": 0.6,
        "xtick.color": SOFT,
        "ytick.color": SOFT,
        "xtick.labelcolor": INK,
        "ytick.labelcolor": INK,
        "text.color": INK,
        "text.hinting": "none",  # letters then differ less from one FreeType to another
        "font.family": FONT,
        "text.usetex": False,
        "text.parse_math": False,  # a "$" in a name starts no formula
        "font.size": 10,
        "legend.frameon": False,
        "lines.linewidth": 1.6,
    }
