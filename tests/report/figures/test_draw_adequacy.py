"""The picture of calibration, tested by the data on its Axes."""

import numpy as np
import pandas as pd

from reedlab.report.figures import draw_adequacy


def test_shares_stand_against_the_diagonal_with_their_intervals():
    bins = pd.DataFrame(
        {"predicted": [0.3, 0.7], "observed": [0.4, 0.65], "low": [0.2, 0.5], "high": [0.6, 0.8]}
    )
    ax = draw_adequacy.calibration(bins)
    diagonal, dots = ax.lines
    np.testing.assert_allclose(diagonal.get_xydata(), [[0, 0], [1, 1]])
    np.testing.assert_allclose(dots.get_xydata(), bins[["predicted", "observed"]])
    (intervals,) = ax.collections
    ends = [segment[:, 1].tolist() for segment in intervals.get_segments()]
    assert ends == bins[["low", "high"]].to_numpy().tolist()
    assert ax.get_xlabel() and ax.get_ylabel()
