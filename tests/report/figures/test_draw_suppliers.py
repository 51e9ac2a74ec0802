"""Pictures of suppliers, by the data on their Axes."""

import numpy as np
import pandas as pd
import pytest

from reedlab.report.figures import draw_suppliers
from reedlab.report.figures.base import svg

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


def test_every_piece_goes_on_or_leaves():
    ax = draw_suppliers.flow(FLOW.assign(lots_unknown=[1] * 12 + [0] * 12))
    assert [label.get_text() for label in ax.get_yticklabels()] == ["plum", "teal"]
    gates = ax.lines
    heights = [abs(line.get_ydata()[1] - line.get_ydata()[0]) for line in gates]
    # plum: 30 came in, 24 tied, none pending, 10 good, none back; teal: 40, 24, 20, 14, 12.
    held = [30, 24, 24, 10, 10, 40, 24, 20, 14, 12]
    assert [40 * h / heights[5] for h in heights] == pytest.approx(held)
    words = [text.get_text() for text in ax.texts]
    assert {"16 never\ntied", "4 pending", "3 given up\n3 not good", "2 back"} <= set(words)
    assert "≥40" in words and "30" in words, "a lot without a count makes it at least so many"
    assert svg(ax).startswith("<?xml")


def test_chances_stand_at_their_supplier_and_way():
    frame = pd.DataFrame(
        {
            "variant": ["as answered"] * 2 + ["suppliers fixed"] * 2,
            "supplier": ["teal", "plum", "plum", "teal"],
            "prob_best": [0.7, 0.3, 0.6, 0.4],
        }
    )
    ax = draw_suppliers.chances(frame, "variant")
    places = ax.collections[0].get_offsets()
    assert places[:, 0].tolist() == [0.7, 0.3, 0.6, 0.4]
    asked, fixed = places[:2, 1], places[2:, 1]
    assert np.round(asked).tolist() == [0, 1]
    assert np.round(fixed).tolist() == [1, 0], "in the first way's order of suppliers"
    assert all(fixed[::-1] > asked)
    first, *_, last = ax.collections[0].get_paths()
    assert first.vertices.shape != last.vertices.shape
    (legend,) = ax.figure.legends
    assert [text.get_text() for text in legend.get_texts()] == ["as answered", "suppliers fixed"]
