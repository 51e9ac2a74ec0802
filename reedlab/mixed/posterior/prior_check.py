"""What the priors say: before any record on the response's own scale, and beside the posterior.

A half-normal on a standard deviation is hard to picture, what it implies is not: where one
supplier's reeds turn out good six times in ten, another's do so with such and such chances, by the
prior alone. These distributions are mixtures of normals over the priors of the standard deviations,
computed without random numbers.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from scipy.special import expit, logit, ndtr, ndtri

from reedlab.mixed.posterior.centred import Centred
from reedlab.mixed.posterior.nested_laplace import Posterior
from reedlab.mixed.posterior.priors import Priors

_NODES, _STEPS = 200, 30
_SHARES = {"low": 0.05, "lower": 0.25, "middle": 0.5, "upper": 0.75, "high": 0.95}


def implied(priors: Priors, kind: str, typical: float) -> pd.DataFrame:
    """Return what another supplier, lot or maker may do, given one that does what is typical.

    Parameters
    ----------
    priors
        The priors of a model of success or of log-minutes.
    kind
        "success": chances, by the logit; "minutes": by the logarithm.
    typical
        What is known of one of them: a chance, or minutes.

    Returns
    -------
    DataFrame
        One row a comparison: other (a lot of the same supplier; a supplier, were lots alike; a lot
        of another supplier; a maker, which is also a property one sd higher); low and high hold
        nine in ten of the others, lower and upper half of them; middle.

    Examples
    --------
    >>> table = implied(Priors(), "success", 0.6).set_index("other")
    >>> table.loc["lot", ["low", "high"]].round(2).tolist()
    [0.22, 0.89]
    """
    supplier, lot = priors.group_scale("supplier"), priors.group_scale("supplier:lot")
    others = {
        "lot": _apart(np.array([lot])),
        "supplier": _apart(np.array([supplier])),
        "supplier's lot": _apart(np.array([supplier, lot])),
        "maker": lambda q: priors.coefficient_sd * ndtri(q),
    }
    to, back = (logit, expit) if kind == "success" else (np.log, np.exp)
    rows = []
    for other, quantile in others.items():
        ends = {name: float(back(to(typical) + quantile(q))) for name, q in _SHARES.items()}
        rows.append({"other": other, **ends})
    return pd.DataFrame(rows)


def _apart(scales: np.ndarray) -> Callable[[float], float]:
    """Quantiles of the difference of two levels' effects, with half-normal standard deviations."""
    from scipy.optimize import brentq

    one = ndtri(0.5 + (np.arange(_NODES) + 0.5) / (2 * _NODES))
    variances = np.zeros(1)
    for scale in scales:
        variances = np.add.outer(variances, (scale * one) ** 2).ravel()
    sds = np.sqrt(2.0 * variances)
    far = 10.0 * float(sds.max())

    def quantile(q: float) -> float:
        found = brentq(lambda d: ndtr(d / sds).mean() - q, -far, far)
        return 0.0 if q == 0.5 else float(found)  # symmetric about 0

    return quantile


def beside(post: Posterior) -> pd.DataFrame:
    """Return the density of each group's standard deviation before and after the records.

    Parameters
    ----------
    post
        A posterior of any family.

    Returns
    -------
    DataFrame
        One row a standard deviation and step of a histogram from 0 to where prior and posterior
        have all but ended: parameter, at (the step's middle), prior and posterior (densities). An
        intercept's sd beside correlated slopes is left out where the slopes' columns have means
        other than 0: its prior is at those means (see `reedlab.mixed.posterior.centred`), its draws
        at 0.
    """
    scales, draws, frames = post.conditional.scales, post.draws(), []
    moves = Centred.of(post.design).moves
    moved = {f"sd {term.group}" for term, M in zip(post.design.terms, moves) if M is not None}
    for name, scale in zip(scales.sd_names, scales.sd_scales):
        if name in moved:
            continue
        end = max(scale * float(ndtri(0.99)), float(draws[name].quantile(0.995)))
        density, edges = np.histogram(draws[name], bins=_STEPS, range=(0.0, end), density=True)
        at = 0.5 * (edges[1:] + edges[:-1])
        half_normal = np.sqrt(2.0 / np.pi) / scale * np.exp(-0.5 * (at / scale) ** 2)
        frames.append(
            pd.DataFrame({"parameter": name, "at": at, "prior": half_normal, "posterior": density})
        )
    return pd.concat(frames, ignore_index=True)
