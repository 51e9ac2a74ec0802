"""Pictures of the priors, tested by their data."""

from __future__ import annotations

import pandas as pd
import pytest

from reedlab.mixed.posterior.prior_check import implied
from reedlab.mixed.posterior.priors import Priors
from reedlab.report.figures import base, draw_priors


def segments(ax, row):
    return [line.get_segments()[row][:, 0].tolist() for line in ax.collections]


@pytest.mark.parametrize(("kind", "typical"), [("success", 0.6), ("minutes", 40.0)])
def test_what_is_implied_is_drawn_for_half_and_for_nine_in_ten(kind, typical):
    frame = implied(Priors(), kind, typical)
    ax = draw_priors.implied(frame, typical, "chance")
    for row, told in frame.iterrows():
        thin, thick = segments(ax, row)
        assert thin == [told["low"], told["high"]] and thick == [told["lower"], told["upper"]]
    assert ax.lines[0].get_xdata()[0] == typical
    assert ax.get_xscale() == ("linear" if kind == "success" else "log")
    assert [label.get_text() for label in ax.get_yticklabels()][:2] == [
        "another lot",
        "another supplier",
    ]
    assert base.svg(ax).startswith("<?xml")


def test_prior_and_posterior_share_a_row_and_its_scale():
    frame = pd.DataFrame(
        {
            "parameter": ["sd supplier"] * 3 + ["sd supplier:lot"] * 3,
            "at": [0.1, 0.3, 0.5] * 2,
            "prior": [1.0, 0.8, 0.5] * 2,
            "posterior": [0.5, 2.0, 0.5, 4.0, 0.0, 0.0],
        }
    )
    ax = draw_priors.beside(frame, "sd")
    dashed = [line for line in ax.lines if len(line.get_xdata()) == 3]
    for row, line in enumerate(dashed):
        tallest = frame.loc[3 * row : 3 * row + 2, ["prior", "posterior"]].to_numpy().max()
        expected = row - 0.85 * frame["prior"].iloc[:3] / tallest
        assert line.get_ydata().tolist() == pytest.approx(expected.tolist())
        outline = ax.collections[row].get_paths()[0].vertices[:, 1]
        assert outline.min() == pytest.approx(row - 0.85) and outline.max() == row
    assert [label.get_text() for label in ax.get_yticklabels()] == [
        "suppliers",
        "lots of one supplier",
    ]
