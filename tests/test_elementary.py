"""Small statistics beside those of other libraries."""

import numpy as np
import pytest
from scipy.special import expit
from statsmodels.stats.proportion import proportion_confint

from reedlab.elementary import quick_expit, wilson


@pytest.mark.parametrize("level", [0.5, 0.9, 0.95])
def test_wilsons_interval_is_that_of_statsmodels(level):
    of = np.array([1, 2, 7, 40, 5000])
    for share in (0, 0.31, 1):
        hits = np.round(share * of)
        theirs = proportion_confint(hits, of, alpha=1 - level, method="wilson")
        np.testing.assert_allclose(wilson(hits, of, level), theirs, rtol=1e-12, atol=1e-15)


def test_wilsons_interval_of_none_is_missing():
    assert np.isnan(wilson([0, 1], [0, 2], 0.9)[0]).tolist() == [True, False]


def test_the_quick_inverse_logit_has_six_digits():
    eta = np.linspace(-30, 30, 601)
    np.testing.assert_allclose(quick_expit(eta), expit(eta), rtol=3e-6)
    assert quick_expit([-1e30, 1e30]).tolist() == [0.0, 1.0]
