"""Pictures of suppliers, by the data on their Axes."""

import pandas as pd
import pytest

from reedlab.report import figures_suppliers
from reedlab.report.figures import png

FLOW = pd.DataFrame(
    [
        (supplier, stage, pieces)
        for supplier, counts in {
            "teal": (40, 10, 6, 24, 4, 3, 1, 2, 0, 14, 14, 2),
            "plum": (30, 5, 1, 24, 0, 0, 2, 8, 4, 10, 9, 0),
        }.items()
        for stage, pieces in zip(
            ("came in", "lost before tying", "not tied yet", "tied", "pending", "given up",
             "broken", "reject", "playable", "good", "sold", "returned"),
            counts,
        )
    ],
    columns=["supplier", "stage", "pieces"],
)  # fmt: skip


def test_every_piece_is_drawn_once():
    ax = figures_suppliers.flow(FLOW)
    names = [label.get_text() for label in ax.get_yticklabels()]
    ends = {name: 0.0 for name in names}
    for bars in ax.containers:
        for name, bar in zip(names, bars):
            assert bar.get_x() == pytest.approx(ends[name]), "each part begins where one ended"
            ends[name] += bar.get_width()
    assert ends == {"plum": 30.0, "teal": 40.0}
    assert [c.get_label() for c in ax.containers] == list(figures_suppliers.PARTS)
    assert png(ax).startswith(b"\x89PNG")


def test_chances_stand_at_their_supplier_and_way():
    frame = pd.DataFrame(
        {
            "variant": ["as answered"] * 2 + ["suppliers fixed"] * 2,
            "supplier": ["teal", "plum", "plum", "teal"],
            "prob_best": [0.7, 0.3, 0.6, 0.4],
        }
    )
    ax = figures_suppliers.chances(frame, "variant")
    asked, fixed = ax.lines
    assert [asked.get_label(), fixed.get_label()] == ["as answered", "suppliers fixed"]
    assert list(asked.get_xdata()) == [0.7, 0.3]
    assert list(fixed.get_xdata()) == [0.4, 0.6], "in the first way's order of suppliers"
    assert all(fixed.get_ydata() > asked.get_ydata())
    assert asked.get_marker() != fixed.get_marker()
