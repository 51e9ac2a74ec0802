"""Posterior predictive check: whether the data are like data that the model makes.

Responses are drawn from the posterior for the rows of the fit, and what matters of them is laid
beside the data's own: how single responses spread, and how the levels of a grouping do (Gelman,
Meng and Stern 1996). The groups' effects are the posterior's for the levels at hand, or, where new
levels are asked for, drawn from their distribution, which tests the distribution itself (Marshall
and Spiegelhalter 2007).

References
----------
Gelman, A., Meng, X.-L. and Stern, H. (1996). Posterior predictive assessment of model fitness via
realized discrepancies. Statistica Sinica 6, 733-807. Marshall, E. C. and Spiegelhalter, D. J.
(2007). Identifying outliers in Bayesian hierarchical models: a simulation-based approach. Bayesian
Analysis 2, 409-444.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit

from reedlab.mixed.ask.cautions import refuse_other_model
from reedlab.mixed.ask.checks.adequacy import grouping
from reedlab.mixed.design.new_rows import new_terms
from reedlab.mixed.design.refusals import check_whole
from reedlab.mixed.engine.fitted import Fitted
from reedlab.mixed.posterior.nested_laplace import Posterior, posterior

_BINS = 20  # of a Gaussian response's values
_LEVEL = 0.95

Statistic = Callable[..., Any]


@dataclass(frozen=True)
class PredictiveCheck:
    """The data beside responses drawn from the posterior.

    Attributes
    ----------
    statistics : DataFrame
        One row a statistic: observed, low, median, high (95 % of the drawn responses) and p, the
        share of drawn responses with a statistic at least as large: near 0 or 1 the model does not
        make such data.
    spread : DataFrame
        One row a range of values, or a grade, or an outcome: value (the middle of the range),
        observed (share of the rows), low, median, high. The picture.
    levels : DataFrame
        One row a level of the grouping: level, rows, observed (mean response; of grades their place
        from 0), low, median, high; empty without a grouping.
    group : str
        The grouping; empty for none.
    """

    statistics: pd.DataFrame
    spread: pd.DataFrame
    levels: pd.DataFrame
    group: str

    def __repr__(self) -> str:
        return f"{self.statistics.to_string()}\n\n{self.sentence()}"

    def sentence(self) -> str:
        """Say whether the data are like what the model makes."""
        tail = (1.0 - _LEVEL) / 2.0
        p = self.statistics["p"]
        off = self.statistics[(p < tail) | (p > 1.0 - tail)]
        if len(off):
            found = ", ".join(
                f"{name} ({row['observed']:.3g}, and {row['low']:.3g} to {row['high']:.3g} by the "
                "model)"
                for name, row in off.iterrows()
            )
            return f"The data differ from what the model makes in {found}."
        return "The data are like what the model makes in all that is compared."


def predictive_check(
    fitted: Fitted,
    group: str | None = None,
    new_levels: str | tuple[str, ...] = (),
    n: int = 1000,
    seed: int = 1,
    method: Posterior | None = None,
) -> PredictiveCheck:
    """Compare the data with responses drawn from the posterior.

    Parameters
    ----------
    group : str, optional
        The grouping whose levels' means are compared, "supplier:lot" or "lot"; that with the most
        levels unless given.
    new_levels : str or tuple of str
        Columns or groupings whose effects are drawn anew in each response, as in :meth:`predict`:
        the check of their distribution. Effects of the levels at hand are fitted to the data, so
        without it levels are like the data nearly always.
    n : int
        Number of responses, at most the posterior's draws.
    seed : int
        Of the responses.
    method : Posterior, optional
        The posterior, with priors of one's own; the default one unless given.

    Returns
    -------
    PredictiveCheck

    Raises
    ------
    ModelError
        When the model has no such group, or for fewer than 20 responses.

    Examples
    --------
    >>> import reedlab as rl
    >>> from reedlab.simulate import simulate_reeds
    >>> model = rl.fit("success ~ maker + (1 | lot)", simulate_reeds(seed=1)[0], "binomial")
    >>> model.predictive_check(n=100).statistics.index.tolist()
    ['mean', 'sd of lot', 'lowest lot', 'highest lot']
    """
    design = fitted.design
    check_whole(n, 20, "n", "responses")
    post = posterior(fitted) if method is None else method
    refuse_other_model(fitted, post)
    term = None
    if group is not None:
        term = grouping(design, group)
    elif design.terms:
        term = max(design.terms, key=lambda each: each.n_levels)
    made = _responses(post, new_levels, min(n, len(post.sample.points)), seed)
    size = np.ones(design.n) if design.trials is None else design.trials
    both = np.vstack([design.y, made])
    of_rows = _STATISTICS[fitted.family].items()
    found = {name: of(both / size if name == "mean" else both, axis=1) for name, of in of_rows}
    levels = pd.DataFrame(columns=["level", "rows", "observed", "low", "median", "high"])
    if term is not None:
        sums = np.array([np.bincount(term.index, row, term.n_levels) for row in both])
        means = sums / np.bincount(term.index, size, term.n_levels)
        of_levels: dict[str, Statistic] = {"sd of": _sd, "lowest": np.min, "highest": np.max}
        found |= {f"{name} {term.group}": of(means, axis=1) for name, of in of_levels.items()}
        levels = _ranges(means)
        levels.insert(0, "level", list(term.levels))
        levels.insert(1, "rows", np.bincount(term.index, minlength=term.n_levels))
    values = np.column_stack(list(found.values()))
    observed, drawn = values[0], values[1:]
    p = np.mean(drawn > observed, axis=0) + 0.5 * np.mean(drawn == observed, axis=0)  # ties: half
    statistics = _ranges(values).set_axis(list(found)).assign(p=p)
    group = "" if term is None else term.group
    return PredictiveCheck(statistics, _spread(fitted, both), levels, group)


def _skewness(rows: np.ndarray, axis: int) -> np.ndarray:
    from scipy.stats import skew  # heavy: a quarter of what the first answer loads

    return np.asarray(skew(rows, axis=axis))


_sd: Statistic = partial(np.std, ddof=1)
_STATISTICS: dict[str, dict[str, Statistic]] = {
    "gaussian": {
        "mean": np.mean, "sd": _sd, "skewness": _skewness, "smallest": np.min, "largest": np.max,
    },
    "binomial": {"mean": np.mean},
    "ordinal": {"mean": np.mean, "sd": _sd},
}  # fmt: skip


def _responses(post: Posterior, new_levels: str | tuple[str, ...], n: int, seed: int) -> np.ndarray:
    """Draw responses (n, rows) for the rows of the fit."""
    design, family = post.design, post.family
    new = new_terms([term.group for term in design.terms], new_levels)
    codes = [
        term.n_levels + term.index if t in new else term.index
        for t, term in enumerate(design.terms)
    ]
    eta = post.assemble(design.X, [term.basis for term in design.terms], codes, n, seed)
    if design.offset is not None:
        eta = eta + design.offset
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(3,)))
    if family == "gaussian":
        sigma = post.draws(n)["sd Residual"].to_numpy()[:, None]
        weight = 1.0 if design.weights is None else design.weights
        return np.asarray(eta + sigma / np.sqrt(weight) * rng.standard_normal(eta.shape))
    if family == "ordinal":
        cuts = post.draws(n)[list(design.threshold_names)].to_numpy()
        latent = eta + rng.logistic(size=eta.shape)
        return np.asarray((latent[:, :, None] > cuts[:, None, :]).sum(axis=2), dtype=float)
    trials = 1 if design.trials is None else design.trials.astype(int)
    return rng.binomial(trials, expit(eta)).astype(float)


def _ranges(rows: np.ndarray) -> pd.DataFrame:
    """Give the first of rows (1 + S, m), and quantiles of the others; one row a column."""
    tail = (1.0 - _LEVEL) / 2.0
    low, median, high = np.quantile(rows[1:], [tail, 0.5, 1.0 - tail], axis=0)
    return pd.DataFrame({"observed": rows[0], "low": low, "median": median, "high": high})


def _spread(fitted: Fitted, both: np.ndarray) -> pd.DataFrame:
    """Share of the rows in each range of values, each grade, or each number of successes."""
    if fitted.family == "gaussian":
        low, high = np.quantile(both, [0.0005, 0.9995])
        low, high = min(low, both[0].min()), max(high, both[0].max())
        ends = np.linspace(low, high, _BINS + 1)
        values = (ends[1:] + ends[:-1]) / 2.0
        counts = np.array([np.histogram(row, ends)[0] for row in both])
    else:
        top = max(int(both.max()), len(fitted.design.grades) - 1)
        values = np.arange(top + 1.0)
        counts = np.array([np.bincount(row.astype(int), minlength=top + 1) for row in both])
    table = _ranges(counts / both.shape[1])
    table.insert(0, "value", [*fitted.design.grades] or values)
    return table
