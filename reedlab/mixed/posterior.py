"""The posterior of a mixed model: every parameter's uncertainty, the variances' own included.

With three to eight suppliers an interval that takes the estimated variances for the true ones is
too short (95 % intervals for a supplier's next lot then cover 82 to 87 %). So everything that
decides stands on draws from the joint posterior of the sds, the coefficients and the groups'
effects. The draws come by nested Laplace approximation, then are made exact by importance weights:

1. At each node of a lattice over the sds, (β, v) has a normal approximation at its mode, which
   gives the sds' own density too (`conditional.py`, `lattice.py`).
2. Draws are continuous: sds between the nodes, (β, v) from the interpolated normals.
3. Each draw is weighted by true joint density over proposed density, the largest weights smoothed
   by a generalised Pareto tail, and the draws are resampled to equal weight. The tail's shape k
   tells whether the approximation was good enough: under 0.7 it is.

References
----------
Rue, H., Martino, S. and Chopin, N. (2009). Approximate Bayesian inference for latent Gaussian
models by using integrated nested Laplace approximations. Journal of the Royal Statistical Society B
71, 319-392. Vehtari, A., Simpson, D., Gelman, A., Yao, Y. and Gabry, J. (2024). Pareto smoothed
importance sampling. Journal of Machine Learning Research 25(72).
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from scipy.special import expit
from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

from reedlab.errors import ModelError, PredictionError
from reedlab.mixed.conditional import Conditional, Modes
from reedlab.mixed.conditional_families import conditional
from reedlab.mixed.fitted import Fitted
from reedlab.mixed.lattice import Lattice, explore, propose
from reedlab.mixed.matrices import Recipe, level_codes, new_columns
from reedlab.mixed.priors import Priors
from reedlab.mixed.scales import Scales
from reedlab.mixed.terms import Design

_DRAWS = 4000
_SPARE = 1.25  # proposals for each draw kept
_BATCH = 3_000_000  # rows times draws held at once


@dataclass(frozen=True)
class Sample:
    """Equally weighted draws of everything unknown.

    Attributes
    ----------
    points
        The sds' coordinates (S, d), see `Scales`.
    effects
        (u, β), shape (S, m): the groups' effects on the linear predictor's scale, then β.
    pareto_k
        Shape of the importance weights' tail; over 0.7 the draws are not to be trusted.
    effective
        Effective number of the proposals, as a share of them.
    """

    points: np.ndarray
    effects: np.ndarray
    pareto_k: float
    effective: float


@dataclass(frozen=True)
class Posterior:
    """The posterior of one fitted model.

    Attributes
    ----------
    design
        The data as the model saw them.
    family
        "gaussian", "binomial" or "ordinal".
    priors
        What was believed before.
    conditional
        The density of the effects given the sds.
    lattice
        Where the sds' posterior was explored.
    sample
        The draws.
    seed
        What the draws came from.
    recipe
        How new data become a design, where the model came from a formula.
    """

    design: Design
    family: str
    priors: Priors
    conditional: Conditional
    lattice: Lattice
    sample: Sample
    seed: int
    recipe: Recipe | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters: coefficients, thresholds, sds, correlations, residual sd."""
        grades = self.design.grades
        thresholds = tuple(f"{a}|{b}" for a, b in pairwise(grades))
        return self.design.fixed_names + thresholds + self.conditional.scales.names

    def draws(self, n: int | None = None, seed: int | None = None) -> pd.DataFrame:
        """Return draws of the parameters, one row a draw, one column a parameter.

        Parameters
        ----------
        n
            Number of draws, 4,000 unless told.
        seed
            Draw anew from this seed instead of handing out the draws already made.

        Examples
        --------
        >>> from reedlab.simulate import simulate_reeds
        >>> from reedlab.mixed import fit
        >>> reeds, _ = simulate_reeds(seed=1)
        >>> model = fit("success ~ season + (1 | supplier/lot)", reeds, family="binomial")
        >>> model.posterior().draws(100).shape
        (100, 6)
        """
        s = self._sample(n, seed)
        fixed = s.effects[:, self.conditional.q :]
        values = np.concatenate([fixed, self.conditional.scales.parameters(s.points)], axis=1)
        return pd.DataFrame(values, columns=list(self.names))

    def summary(self, level: float = 0.95) -> pd.DataFrame:
        """Return mean, sd and an equal-tailed interval of every parameter."""
        return summarise(self.draws(), level)

    def levels_draws(
        self, group: str, n: int | None = None, name: str = "Intercept"
    ) -> pd.DataFrame:
        """Return draws of a group's effects, one row a draw, one column a known level.

        Parameters
        ----------
        group
            A grouping of the model, such as "supplier" or "supplier:lot".
        n
            Number of draws; they go row by row with those of `draws`.
        name
            Which of the group's columns: the intercept, or a slope by its name.
        """
        for term, block in zip(self.design.terms, self.conditional.blocks):
            if term.group == group and name in term.names:
                at = slice(block.start + term.names.index(name), block.stop, term.k)
                return pd.DataFrame(self._sample(n, None).effects[:, at], columns=list(term.levels))
        known = ", ".join(f"{t.group} ({', '.join(t.names)})" for t in self.design.terms)
        raise ModelError(f"the model has no {name!r} of {group!r}: it has {known}.")

    def predict(
        self,
        data: pd.DataFrame,
        new_levels: str | Collection[str] = (),
        n: int | None = None,
        seed: int | None = None,
    ) -> np.ndarray:
        """Draw what the model expects of new rows, on the response's own mean scale.

        Parameters
        ----------
        data
            New rows with the model's columns.
        new_levels
            Columns or groupings whose levels are new: their effects are drawn from the group's
            distribution, one effect a distinct level; where the column is missing or empty, every
            row has a new level of its own. A new "supplier" makes its lots new too.
        n
            Number of draws; they go row by row with those of `draws`.
        seed
            Seed of the new levels' effects, the posterior's own unless told.

        Returns
        -------
        ndarray
            Shape (n, rows): probabilities for a binomial model, means for a Gaussian one; for an
            ordinal one (n, rows, grades), the probability of each grade.

        Raises
        ------
        PredictionError
            When a level is unknown and not named in `new_levels`, or a column is missing.
        """
        return self.on_response_scale(self.linear_predictor(data, new_levels, n, seed))

    def linear_predictor(
        self,
        data: pd.DataFrame,
        new_levels: str | Collection[str] = (),
        n: int | None = None,
        seed: int | None = None,
    ) -> np.ndarray:
        """Draw the linear predictor of new rows; parameters and errors as in `predict`."""
        design, recipe = self.design, self.recipe
        if recipe is None:
            raise PredictionError("this fit was made without a formula and cannot read new data.")
        parts = recipe.formula.random
        new_levels = {new_levels} if isinstance(new_levels, str) else set(new_levels)
        known = {part.group for part in parts} | {c for part in parts for c in part.columns}
        strange = sorted(new_levels - known)
        if strange:
            raise PredictionError(
                f"new_levels names {strange[0]!r}, which the model does not group by."
            )
        X, bases = new_columns(recipe, data, range(len(parts)))
        codes = []
        for part, term in zip(parts, design.terms):
            if part.group in new_levels or set(part.columns) & new_levels:
                codes.append(term.n_levels + _new_codes(part.columns, data))
                continue
            code = level_codes(part, data, term.levels)
            if np.any(code < 0):
                row = data.index[int(np.argmax(code < 0))]
                raise PredictionError(
                    f"row {row!r} has a level of {part.group!r} that the fit did not see: "
                    f"name {part.columns[-1]!r} in new_levels to draw its effect."
                )
            codes.append(code)
        return self.assemble(X, [bases[t] for t in range(len(parts))], codes, n, seed)

    def assemble(
        self,
        X: np.ndarray,
        bases: list[np.ndarray],
        codes: list[np.ndarray],
        n: int | None = None,
        seed: int | None = None,
    ) -> np.ndarray:
        """Draw the linear predictor (n, rows) of rows given as arrays.

        Parameters
        ----------
        X
            Fixed effects' columns (rows, p).
        bases
            For each random term its columns (rows, k).
        codes
            For each random term the level of each row; numbers from the term's number of levels on
            are new levels, whose effects are drawn from the group's distribution.
        n, seed
            As in `predict`.
        """
        root = np.random.SeedSequence(self.seed if seed is None else seed, spawn_key=(1,))
        rng = np.random.default_rng(root)
        s, cond = self._sample(n, None), self.conditional
        eta = s.effects[:, cond.q : cond.q + self.design.p] @ X.T
        lambdas = cond.scales.lambdas(s.points)
        for t, (term, block) in enumerate(zip(self.design.terms, cond.blocks)):
            effects = s.effects[:, block].reshape(len(s.points), -1, term.k)
            n_new = int(codes[t].max(initial=-1)) + 1 - term.n_levels
            if n_new > 0:
                normals = rng.standard_normal((len(s.points), n_new, term.k))
                drawn = np.einsum("sij,slj->sli", lambdas[t], normals)
                effects = np.concatenate([effects, drawn], axis=1)
            for j in range(term.k):
                eta += effects[:, codes[t], j] * bases[t][:, j]
        return eta

    def on_response_scale(self, eta: np.ndarray) -> np.ndarray:
        """Return means (or grades' probabilities) of linear predictors (n, rows)."""
        if self.family == "gaussian":
            return eta
        if self.family == "binomial":
            return expit(eta)
        cuts = self._sample(len(eta), None).effects[:, self.conditional.q + self.design.p :]
        at_most = expit(cuts[:, None, :] - eta[:, :, None])
        ends = np.zeros((*eta.shape, 1))
        return np.diff(np.concatenate([ends, at_most, ends + 1.0], axis=2), axis=2)

    def _sample(self, n: int | None, seed: int | None) -> Sample:
        have = self.sample
        if seed is None and (n is None or n <= len(have.points)):
            return Sample(have.points[:n], have.effects[:n], have.pareto_k, have.effective)
        key = np.random.SeedSequence(self.seed if seed is None else seed)
        return _draw(self.conditional, self.lattice, n or len(have.points), key)


def posterior(
    fitted: Fitted, priors: Priors | None = None, seed: int = 1, draws: int = _DRAWS
) -> Posterior:
    """Return the joint posterior of a fitted model's parameters and groups' effects.

    Parameters
    ----------
    fitted
        A fit of any family; its estimates only serve as a place to start from.
    priors
        The priors, `Priors.default` for the family unless given.
    seed
        Seed of the draws.
    draws
        Number of draws held.
    """
    design, family = fitted.design, fitted.family
    if priors is None:
        response = fitted.recipe.formula.response if fitted.recipe is not None else ""
        priors = Priors.default(family, response, design.y)
    sds = np.concatenate([np.sqrt(np.diag(c)) for c in fitted.covariances])
    return design_posterior(design, family, priors, seed, draws, fitted.recipe, sds)


def design_posterior(
    design: Design,
    family: str,
    priors: Priors,
    seed: int = 1,
    draws: int = _DRAWS,
    recipe: Recipe | None = None,
    sds: np.ndarray | None = None,
    depth: float | None = None,
) -> Posterior:
    """Return the posterior of a design that need not be fitted first.

    The priors are proper, so there is a posterior even where there is no maximum of the likelihood
    (every reed a success). `sds` (one for each sd) is a first guess; `depth` says how far from its
    highest the log density of the sds must fall before the exploration stops.
    """
    scales = Scales.of(design.terms, priors, residual=family == "gaussian")
    cond = conditional(design, family, priors, scales)

    def evaluate(points: np.ndarray, start: np.ndarray | None) -> Modes:
        modes = cond.modes(points, start)
        return Modes(modes.x, modes.chol, modes.log_density + scales.log_prior(points))

    start, width = _start(design, scales, sds)
    if depth is None:
        depth = 10.0 if scales.size < 3 else 9.0
    with threadpool_limits(1):  # many small matrices: threads would only wait for one another
        lattice = explore(evaluate, start, width, scales.lower, depth)
        sample = _draw(cond, lattice, draws, np.random.SeedSequence(seed))
    return Posterior(design, family, priors, cond, lattice, sample, seed, recipe)


def summarise(draws: pd.DataFrame, level: float = 0.95) -> pd.DataFrame:
    """Return mean, sd, low and high of each column of draws, by equal tails."""
    tail = (1.0 - level) / 2.0
    return pd.DataFrame(
        {
            "mean": draws.mean(),
            "sd": draws.std(),
            "low": draws.quantile(tail),
            "high": draws.quantile(1.0 - tail),
        }
    )


def _new_codes(columns: tuple[str, ...], data: pd.DataFrame) -> np.ndarray:
    """Codes of new levels: one a distinct label, one a row where a column is missing or empty."""
    if not set(columns) <= set(data.columns):
        return np.arange(len(data))
    keys = data[list(columns)]
    codes = keys.astype(str).groupby(list(columns), sort=False).ngroup().to_numpy().copy()
    empty = keys.isna().any(axis=1).to_numpy()
    codes[empty] = len(data) + np.arange(int(empty.sum()))
    return pd.factorize(codes)[0]


def _start(design: Design, scales: Scales, sds: np.ndarray | None) -> tuple[np.ndarray, np.ndarray]:
    """Where to begin: the guess kept within reason, or half the prior's scale."""
    guess = 0.5 * scales.sd_scales if sds is None else sds
    guess = np.clip(guess, 0.2 * scales.sd_scales, 3.0 * scales.sd_scales)
    n_cor = len(scales.cor_names)
    start = np.concatenate([guess, np.zeros(n_cor)])
    width = np.concatenate([0.4 * guess, np.full(n_cor, 0.5)])
    if scales.residual:
        _, squares, rank, _ = np.linalg.lstsq(design.X, design.y, rcond=None)
        left = float(squares[0]) if len(squares) else float(np.var(design.y)) * design.n
        start = np.append(start, 0.5 * np.log(left / max(design.n - rank, 1)))
        width = np.append(width, max(1.0 / np.sqrt(2.0 * design.n), 0.02))
    return start, width


def _draw(cond: Conditional, lattice: Lattice, n: int, seed: np.random.SeedSequence) -> Sample:
    """Propose, weigh by the true joint density, resample to equal weights."""
    rng = np.random.default_rng(seed)
    proposal = propose(lattice, int(np.ceil(n * _SPARE)), cond.m - cond.q, rng)
    log_weight = cond.scales.log_prior(proposal.points) - proposal.log_density
    step = max(1, _BATCH // cond.design.n)
    for at in range(0, len(log_weight), step):
        rows = slice(at, at + step)
        log_weight[rows] += cond.log_joint(proposal.x[rows], proposal.points[rows])
    weight, k = pareto_smooth(log_weight)
    even = (np.arange(n) + rng.random()) / n
    kept = np.minimum(np.searchsorted(np.cumsum(weight), even), len(weight) - 1)
    kept = rng.permutation(kept)
    effects = cond.scale(
        proposal.x[kept], [lam[kept] for lam in cond.scales.lambdas(proposal.points)]
    )
    share = 1.0 / (np.sum(weight**2) * len(weight))
    return Sample(proposal.points[kept], effects, k, share)


def pareto_smooth(log_weight: np.ndarray) -> tuple[np.ndarray, float]:
    """Return normalised importance weights with a smoothed tail, and the tail's shape k.

    The largest 3 sqrt(S) weights (at most a fifth) are replaced by the expected order statistics of
    a generalised Pareto distribution fitted to them, as Vehtari et al. (2024) do.
    """
    from scipy.stats import genpareto

    weight = np.exp(log_weight - log_weight.max())
    size = len(weight)
    tail = int(min(0.2 * size, 3.0 * np.sqrt(size)))
    order = np.argsort(weight)[-tail:]
    cut = weight[order[0]]
    k, _, scale = genpareto.fit(weight[order] - cut, floc=0.0)
    if scale > 0:
        ranks = (np.arange(tail) + 0.5) / tail
        weight[order] = np.minimum(cut + genpareto.ppf(ranks, k, scale=scale), 1.0)
    return weight / weight.sum(), float(k)
