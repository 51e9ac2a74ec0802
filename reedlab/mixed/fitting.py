"""``rl.fit``: from a formula and a frame to a fitted model."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, overload

import pandas as pd

from reedlab.mixed.design.matrices import build
from reedlab.mixed.design.refusals import check_design
from reedlab.mixed.engine.fitted import fit_design
from reedlab.mixed.parallel import one_thread
from reedlab.mixed.results import Fit

if TYPE_CHECKING:
    from reedlab.mixed.gaps.measurement_error import CorrectedFit, ReadingError


@overload
def fit(
    formula: str,
    data: pd.DataFrame,
    family: str = "gaussian",
    *,
    trials: str | None = None,
    reml: bool = True,
    quadrature: int = 1,
) -> Fit: ...
@overload
def fit(
    formula: str,
    data: pd.DataFrame,
    family: str = "gaussian",
    *,
    trials: str | None = None,
    reml: bool = True,
    quadrature: int = 1,
    measurement_error: Mapping[str, float | ReadingError],
) -> CorrectedFit: ...


def fit(
    formula: str,
    data: pd.DataFrame,
    family: str = "gaussian",
    *,
    trials: str | None = None,
    reml: bool = True,
    quadrature: int = 1,
    measurement_error: Mapping[str, float | ReadingError] | None = None,
) -> Fit | CorrectedFit:
    """Fit a linear or generalised linear mixed model.

    Parameters
    ----------
    formula : str
        ``response ~ fixed + (effects | grouping)``. The fixed part is formulaic's, with ``scale``,
        ``center``, ``bs``, ``poly``, interactions and factors, and with ``within(x, g)`` and
        ``between(x, g)``; it reaches columns and the transforms of
        ``reedlab.mixed.expressions.TRANSFORMS`` only. Groupings are ``g``, ``g/h`` (h within g) or
        ``g:h``; ``(x | g)`` has correlated slopes, ``(x || g)`` uncorrelated ones.
    data : DataFrame
        One row an observation; text columns are taken as factors. Never changed. Rows with an
        empty cell in a column that the model uses are left out and counted.
    family : {"gaussian", "binomial", "ordinal"}
        Gaussian; binomial on the logit scale; an ordered grade with a cumulative logit.
    trials : str, optional
        For the binomial family, the column of trials when the response counts successes.
    reml : bool
        Restricted likelihood for the Gaussian family (``False`` for maximum likelihood).
    quadrature : int
        For the other families, nodes of adaptive Gauss-Hermite quadrature; 1 is Laplace.
    measurement_error : mapping, optional
        For columns read with error the error's sd (or a gauge study's ``error``): their slopes are
        then corrected for the flattening that it brings.

    Returns
    -------
    Fit
        With ``measurement_error`` a :class:`~reedlab.mixed.gaps.measurement_error.CorrectedFit`.

    Raises
    ------
    FormulaError, DataError, ModelError
        Each one sentence: what is wrong, where, and what to do.

    Notes
    -----
    The covariance parameters θ are estimated with their boundary: an sd of 0 is an estimate like
    another, proved by the derivative in the variance and said in ``fit.singular``. With few groups
    such estimates say little about the variances themselves: decide on ``fit.posterior()``.

    References
    ----------
    Bates, Mächler, Bolker and Walker 2015, Journal of Statistical Software 67(1).

    Examples
    --------
    >>> import numpy as np, pandas as pd
    >>> lot = np.repeat(["a", "b", "c", "d", "e"], 4)
    >>> minutes = [30, 32, 31, 29, 36, 37, 35, 38, 28, 27, 29, 30, 33, 31, 34, 32, 40, 38, 41, 39]
    >>> found = fit("minutes ~ 1 + (1 | lot)", pd.DataFrame({"lot": lot, "minutes": minutes}))
    >>> found.vcomp.sd.round(2).tolist()
    [4.43, 1.29]
    """
    if measurement_error:
        from reedlab.mixed.gaps.measurement_error import fit_corrected

        return fit_corrected(formula, data, family, measurement_error, trials=trials, reml=reml)
    design, recipe = build(formula, data, family, trials)
    with one_thread():
        check_design(design, family)
    fitted = fit_design(design, family, reml=reml, quadrature=quadrature, recipe=recipe)
    return Fit(fitted, data.copy(deep=False))
