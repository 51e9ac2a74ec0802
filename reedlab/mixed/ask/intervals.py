"""Confidence limits: Wald, profile likelihood and parametric bootstrap.

========== ====================================================================================
method     when
========== ====================================================================================
wald       coefficients of well-determined models; quick; none of standard deviations
profile    all but thresholds, by how fast the likelihood falls from its top; may reach 0
bootstrap  every parameter, by refitting responses that the fitted model makes up
========== ====================================================================================

Where a coefficient separates the outcomes it has no finite estimate, and no limits by the first or
the last; the profile's are right, and infinite on one side.

With a handful of suppliers all three are too short, since they treat estimated variances as known:
decide on the posterior.

References
----------
Bates, D., Mächler, M., Bolker, B. and Walker, S. (2015). Fitting linear mixed-effects models using
lme4. Journal of Statistical Software 67(1), section 5.1. Davison, A. C. and Hinkley, D. V. (1997).
Bootstrap Methods and their Application, chapters 2 and 5.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from reedlab.errors import ConvergenceWarning, ModelError
from reedlab.mixed.ask.cautions import refuse_unusable
from reedlab.mixed.ask.likelihood_profile import ProfiledLikelihood
from reedlab.mixed.design.refusals import check_whole
from reedlab.mixed.engine.fitted import Fitted
from reedlab.mixed.engine.simulation import simulate
from reedlab.mixed.parallel import one_thread, run_seeded
from reedlab.mixed.posterior.nested_laplace import check_level
from reedlab.mixed.posterior.priors import Priors
from reedlab.mixed.posterior.scales import Scales

MOST_FAILED = 0.1
"""Share of a bootstrap's refits that may fail: those that fail are the extreme ones."""


def conf_int(
    fitted: Fitted,
    method: str = "wald",
    level: float = 0.95,
    *,
    n: int | None = None,
    seed: int | None = None,
    workers: int | None = None,
    progress: bool | None = None,
) -> pd.DataFrame:
    """Return confidence limits of a fit's parameters.

    Parameters
    ----------
    method : {"wald", "profile", "bootstrap"}
        "wald" (coefficients and thresholds alone), "profile" (all but thresholds; by maximum
        likelihood, also of a fit by REML) or "bootstrap" (every parameter).
    level : float
        Confidence level.
    n, seed, workers : int, optional
        Of the bootstrap: number of refits (1,000 unless given, 20 at least), seed, processes (1).
    progress : bool, optional
        Whether the bootstrap shows a bar.

    Returns
    -------
    DataFrame
        low, high; one row a parameter that the method has limits of, named as in
        `posterior.summary`.

    Raises
    ------
    ModelError
        For an unknown method, a level that is not between 0 and 1, an option of the bootstrap
        where there is none, a fit without finite estimates (other than by "profile"), or a
        bootstrap of which more than a tenth of the refits failed.

    Warns
    -----
    ConvergenceWarning
        Where some of the bootstrap's refits failed and are left out.

    Examples
    --------
    >>> import reedlab as rl
    >>> from reedlab.simulate import simulate_reeds
    >>> model = rl.fit("log_scrape_min ~ 1 + (1 | lot)", simulate_reeds(seed=1)[0])
    >>> model.conf_int("profile").index.tolist()
    ['Intercept', 'sd lot', 'sd Residual']
    """
    check_level(level)
    check_choice(method, ("wald", "profile", "bootstrap"), "method")
    if method != "profile" or not fitted.separated:  # whose profiles are right, and infinite
        refuse_unusable(fitted, f"{method.capitalize()} limits", groups=method == "bootstrap")
    options = given(n=n, seed=seed, workers=workers, progress=progress)
    if method == "bootstrap":
        draws = bootstrap(fitted, **options)
        tail = (1.0 - level) / 2.0
        return pd.DataFrame({"low": draws.quantile(tail), "high": draws.quantile(1.0 - tail)})
    refuse_idle(options, f"{method} limits")
    return _wald(fitted, level) if method == "wald" else _profile(fitted, level)


def given(**options: Any) -> dict[str, Any]:
    """Return the options that were given; those left out are None."""
    return {name: value for name, value in options.items() if value is not None}


def refuse_idle(options: Mapping[str, Any], what: str) -> None:
    """Raise a ModelError for the first of some options, which have no effect on `what`."""
    for name in options:
        raise ModelError(f"{name}= has no effect on {what}: leave it out.")


def check_choice(value: object, known: Sequence[str], what: str) -> None:
    """Raise a ModelError for a choice that there is not."""
    if value not in known:
        raise ModelError(
            f"there is no {what} {value!r}: choose {', '.join(known[:-1])} or {known[-1]}."
        )


def estimates(fitted: Fitted) -> pd.Series:
    """Return all estimates: coefficients, thresholds, standard deviations, correlations.

    They are named as in `posterior.summary`; a correlation with a standard deviation of 0 is nan.
    """
    scales = Scales.of(fitted.design.terms, Priors(), residual=fitted.family == "gaussian")
    matrices = zip(fitted.design.terms, fitted.correlations)
    cors = [matrix[i, j] for term, matrix in matrices for i, j in term.pairs]
    residual = [fitted.sigma] if scales.residual else []
    values = np.concatenate([fitted.beta, fitted.thresholds, *fitted.sds, cors, residual])
    names = fitted.design.fixed_names + fitted.design.threshold_names + scales.names
    return pd.Series(values, index=list(names), name="estimate", dtype=float)


def _wald(fitted: Fitted, level: float) -> pd.DataFrame:
    """Coefficients and thresholds, plus and minus a normal quantile times their standard errors."""
    names = [*fitted.design.fixed_names, *fitted.design.threshold_names]
    estimate = np.concatenate([fitted.beta, fitted.thresholds])
    variances = np.concatenate([np.diag(fitted.cov_beta), np.diag(fitted.cov_thresholds)])
    half = ndtri(0.5 + level / 2.0) * np.sqrt(variances)
    return pd.DataFrame({"low": estimate - half, "high": estimate + half}, index=names)


def bootstrap(
    fitted: Fitted, n: int = 1000, seed: int = 1, workers: int = 1, progress: bool = False
) -> pd.DataFrame:
    """Return the estimates of n refits to responses made up by the fit, one row a refit.

    A refit that failed (every reed alike, separation, no convergence) is left out, which is warned
    of; more than `MOST_FAILED` of them are an error, for the others are no longer typical.
    """
    check_whole(n, 20, "n", "refits")
    rows = run_seeded(partial(_refit, fitted), n, seed, workers, progress, "Bootstrap")
    kept = [row for row in rows if row is not None]
    failed = n - len(kept)
    said = f"{failed} of the bootstrap's {n} refits failed (separation or no convergence)"
    if failed > MOST_FAILED * n:
        raise ModelError(f"{said}, too many for limits: ask posterior(), or leave a term out.")
    if failed:
        # bootstrap <- conf_int <- the method of Fit <- the line that asks
        warnings.warn(f"{said}: the limits are of the others.", ConvergenceWarning, stacklevel=4)
    return pd.DataFrame(kept).reset_index(drop=True)


def _refit(fitted: Fitted, seed: np.random.SeedSequence) -> pd.Series | None:
    y = simulate(fitted, np.random.default_rng(seed))
    try:
        again = fitted.refit(fitted.design.with_response(y))
    except ModelError:
        return None
    return estimates(again) if again.converged else None


def _profile(fitted: Fitted, level: float) -> pd.DataFrame:
    """Profile-likelihood limits of all parameters but thresholds, by maximum likelihood."""
    # A limit is where twice the log-likelihood, maximised over all other parameters, has fallen by
    # the chi-square quantile, (the normal quantile)² (Bates et al. 2015, section 5.1). A standard
    # deviation whose likelihood has not fallen that far at 0 has the limit 0.
    if fitted.reml:
        fitted = fitted.refit(fitted.design, reml=False, start=fitted.theta)
    likelihood = ProfiledLikelihood(fitted)
    at = estimates(fitted)[list(likelihood.names)].to_numpy()
    depth = ndtri(0.5 + level / 2.0)
    rows = {}
    with one_thread():
        for j, name in enumerate(likelihood.names):
            low, high = (_limit(likelihood, at, j, side, depth) for side in (-1.0, 1.0))
            rows[name] = {"low": low, "high": high}
    return pd.DataFrame.from_dict(rows, orient="index")


def _limit(
    likelihood: ProfiledLikelihood, at: np.ndarray, j: int, side: float, depth: float
) -> float:
    """Where the signed root of the deviance's rise reaches `depth` on one side."""
    from scipy.optimize import brentq

    if likelihood.runs_away(j, side):
        return side * np.inf
    bound = likelihood.bounds[j][0 if side < 0 else 1]
    near, step = at[j], likelihood.steps[j] * depth
    path, known = likelihood.path(j, near), {near: -depth}

    def rise(value: float) -> float:
        if value not in known:
            known[value] = float(np.sqrt(max(path(value) - likelihood.least, 0.0))) - depth
        return known[value]

    far = near
    for _ in range(60):
        far = far + side * step
        if side * far >= side * bound:
            if rise(bound) < 0.0:
                return float(bound)
            far = bound
        if rise(far) >= 0.0:
            return float(brentq(rise, near, far, xtol=1e-5 * abs(step), rtol=1e-9))
        if side * far > likelihood.farthest[j]:
            break
        near, step = far, 1.5 * step
    return side * np.inf
