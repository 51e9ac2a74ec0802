"""The posterior of a mixed model: every parameter's uncertainty, the variances' own included.

With three to eight suppliers an interval that takes the estimated variances for the true ones is
too short (95 % intervals for a supplier's next lot then cover 82 to 87 %). So everything that
decides stands on draws from the joint posterior of the standard deviations, the coefficients and
the groups' effects. The draws come by nested Laplace approximation, then are made exact by
importance weights:

1. At each node of a lattice over the standard deviations, (β, v) has a normal approximation at its
   mode, which gives the standard deviations' own density too (`conditional.py`, `lattice.py`).
2. Draws are continuous: standard deviations between the nodes, (β, v) from the interpolated
   normals.
3. Each draw is weighted by true joint density over proposed density, the largest weights smoothed
   by a generalised Pareto tail, and the draws are resampled to equal weight. The tail's shape k
   says whether the approximation was good enough: under 0.7 it is.

References
----------
Rue, H., Martino, S. and Chopin, N. (2009). Approximate Bayesian inference for latent Gaussian
models by using integrated nested Laplace approximations. Journal of the Royal Statistical Society B
71, 319-392. Vehtari, A., Simpson, D., Gelman, A., Yao, Y. and Gabry, J. (2024). Pareto smoothed
importance sampling. Journal of Machine Learning Research 25(72).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np
import pandas as pd
from scipy.special import expit

from reedlab.errors import ModelError
from reedlab.mixed.design.matrices import Recipe, new_offset
from reedlab.mixed.design.new_rows import read_rows
from reedlab.mixed.design.refusals import check_whole
from reedlab.mixed.design.terms import Design
from reedlab.mixed.engine.fitted import Fitted
from reedlab.mixed.parallel import one_thread
from reedlab.mixed.posterior import diagnostics, kept
from reedlab.mixed.posterior.centred import Centred
from reedlab.mixed.posterior.conditional import Conditional, conditional
from reedlab.mixed.posterior.lattice import Lattice, explore, explore_again
from reedlab.mixed.posterior.priors import Priors, refuse_one_value
from reedlab.mixed.posterior.sampling import Sample, draw
from reedlab.mixed.posterior.scales import Scales
from reedlab.mixed.posterior.sensitivity import sensitivity

_DRAWS = 4000
_COARSE = 0.6
_DEPTH = 11.0  # a fall past which even the mean of 1/p has little left


@dataclass(frozen=True, repr=False)
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
        The density of the effects given the standard deviations, random slopes counted from their
        columns' means (see `reedlab.mixed.posterior.centred`).
    look
        Gives `lattice`; draws that were kept come without.
    sample
        The draws, for the columns as they are given.
    seed
        What the draws came from.
    recipe
        How new data become a design, where the model came from a formula.
    """

    design: Design
    family: str
    priors: Priors
    conditional: Conditional
    look: Callable[[], Lattice]
    sample: Sample
    seed: int
    recipe: Recipe | None = None

    def __repr__(self) -> str:
        """Show mean, sd and 95 % interval of every parameter."""
        return self.summary().to_string()

    @cached_property
    def lattice(self) -> Lattice:
        """Where the standard deviations' posterior was explored, in the conditional's terms."""
        return self.look()

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters: coefficients, thresholds, standard deviations, correlations."""
        design, scales = self.design, self.conditional.scales
        return design.fixed_names + design.threshold_names + scales.names

    def draws(self, n: int | None = None) -> pd.DataFrame:
        """Return draws of the parameters, one row a draw, one column a parameter.

        Parameters
        ----------
        n
            Number of draws, all that are held unless given; more than these are drawn anew.

        Examples
        --------
        >>> from reedlab.simulate import simulate_reeds
        >>> from reedlab.mixed import fit
        >>> reeds, _ = simulate_reeds(seed=1)
        >>> model = fit("success ~ season + (1 | supplier/lot)", reeds, family="binomial")
        >>> model.posterior().draws(100).shape
        (100, 6)
        """
        s = self._sample(n)
        fixed = s.effects[:, self.conditional.q :]
        values = np.concatenate([fixed, self.conditional.scales.parameters(s.points)], axis=1)
        return pd.DataFrame(values, columns=list(self.names))

    def summary(self, level: float = 0.95) -> pd.DataFrame:
        """Return mean, sd and an equal-tailed interval of every parameter."""
        return summarise(self.draws(), level)

    def diagnostics(self) -> pd.DataFrame:
        """Return whether this posterior may be trusted, check by check, and warn where it may not.

        Returns
        -------
        DataFrame
            check, value, limit, ok and meaning: the weight on the outermost points of the standard
            deviations' range, the tail of the importance weights, the effective share of the
            proposals, the chance that the prior gives to so large a standard deviation, and the
            change of mean 1/success (or of mean minutes, for `Priors.log_minutes`) of a reed from a
            next lot and supplier when that range doubles.

        Examples
        --------
        >>> from reedlab.simulate import simulate_reeds
        >>> from reedlab.mixed import fit
        >>> reeds, _ = simulate_reeds(seed=1)
        >>> model = fit("success ~ season + (1 | supplier/lot)", reeds, family="binomial")
        >>> model.posterior().diagnostics()["ok"].tolist()
        [True, True, True, True, True]
        """
        with one_thread():
            table = diagnostics.diagnose(
                self.conditional, self.lattice, self.sample, self.priors.log_response
            )
        diagnostics.warn(table)
        return table

    def sensitivity(
        self, scales: Sequence[float] = (0.5, 1.0, 2.0), level: float = 0.95
    ) -> pd.DataFrame:
        """Return what is said under priors with multiplied scales of the standard deviations.

        Parameters
        ----------
        scales
            Factors of the prior scales.
        level
            Probability of the intervals.

        Returns
        -------
        DataFrame
            One row a parameter and scale: parameter, scale, mean, sd, low, high, and shift, the
            mean's distance from this posterior's own in standard deviations of this posterior.

        Examples
        --------
        >>> from reedlab.simulate import simulate_reeds
        >>> from reedlab.mixed import fit
        >>> reeds, _ = simulate_reeds(seed=1)
        >>> model = fit("success ~ 1 + (1 | supplier)", reeds, family="binomial")
        >>> table = model.posterior().sensitivity()
        >>> table.loc[table["parameter"] == "sd supplier", "scale"].tolist()
        [0.5, 1.0, 2.0]
        """
        return sensitivity(self, scales, level)

    def scaled(self, factor: float, draws: int | None = None) -> Posterior:
        """Return the posterior under priors with multiplied scales of the standard deviations.

        It has as many draws, from the same seed, unless given another number.
        """
        sds = self.draws()[list(self.conditional.scales.sd_names)].mean().to_numpy()
        priors, draws = self.priors.scaled(factor), draws or len(self.sample.points)
        return design_posterior(
            self.design, self.family, priors, self.seed, draws, self.recipe, sds
        )

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

        Raises
        ------
        ModelError
            When the model has no such group or column.
        """
        for term, block in zip(self.design.terms, self.conditional.blocks):
            if term.group == group and name in term.names:
                at = slice(block.start + term.names.index(name), block.stop, term.k)
                return pd.DataFrame(self._sample(n).effects[:, at], columns=list(term.levels))
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
            Seed of the new levels' effects, the posterior's own unless given.

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
        rows = read_rows(self.recipe, self.design, data, new_levels)
        return self.assemble(*rows, n, seed) + new_offset(self.recipe, data)

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
        s, cond = self._sample(n), self.conditional
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
        cuts = self._sample(len(eta)).effects[:, self.conditional.q + self.design.p :]
        at_most = expit(cuts[:, None, :] - eta[:, :, None])
        ends = np.zeros((*eta.shape, 1))
        return np.diff(np.concatenate([ends, at_most, ends + 1.0], axis=2), axis=2)

    def first(self, n: int) -> Posterior:
        """Return the posterior with the first n of its draws."""
        return replace(self, sample=self.sample.first(n))

    def _sample(self, n: int | None) -> Sample:
        if n is not None:
            check_whole(n, 1, "n", "draws")
        if n is None or n <= len(self.sample.points):
            return self.sample.first(n)
        drawn = draw(self.conditional, self.lattice, n, np.random.SeedSequence(self.seed))
        return Centred.of(self.design).back(self.conditional, drawn)


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

    Raises
    ------
    ModelError
        As `design_posterior` raises it.
    """
    design, family = fitted.design, fitted.family
    if priors is None:
        priors = Priors.default(family, design.less_offset)
    sds = Centred.of(design).sds(fitted)
    return design_posterior(design, family, priors, seed, draws, fitted.recipe, sds)


def design_posterior(
    design: Design,
    family: str,
    priors: Priors,
    seed: int = 1,
    draws: int = _DRAWS,
    recipe: Recipe | None = None,
    sds: np.ndarray | None = None,
    coarse: bool = False,
    near: Posterior | None = None,
) -> Posterior:
    """Return the posterior of a design that need not be fitted first.

    The priors are proper, so there is a posterior even where there is no maximum of the likelihood
    (every reed a success). Without a recipe it reads no new data. `sds` is a first guess of each
    standard deviation; a `coarse` lattice, for an answer that needs several posteriors, gives way
    to the usual one where the checks ask for it; `near` is the posterior of all but the same data,
    on whose lattice this one is looked for first.

    Raises ModelError for fewer than two draws, for priors that are none, for a Gaussian response
    that is the same in every row or is explained all but exactly, and for more standard deviations
    and correlations than the lattice holds.
    """
    check_whole(draws, 2, "draws", "draws")
    if not isinstance(priors, Priors):
        raise ModelError(
            f"priors= is a {type(priors).__name__}: write rl.Priors, as in "
            "rl.Priors(by_group={'lot': 0.5})."
        )
    if family == "gaussian":
        refuse_one_value(design.y)
    priors, centred = priors.centred(family, design.less_offset), Centred.of(design.with_term)
    scales = Scales.of(centred.design.terms, priors, residual=family == "gaussian")
    beside = () if near is None else (near.design.y, near.design.X)
    file = kept.entry(design, family, priors, seed, draws, sds, coarse, *beside)
    with one_thread():  # many small matrices: threads would only wait for one another
        cond = conditional(centred.design, family, priors, scales)
        found = kept.read(file, scales.size, cond.m, draws)
        if found is not None:
            sample, finer = found
            look = partial(_explored, cond, design, sds, finer)
            return Posterior(design, family, priors, cond, look, sample, seed, recipe)
        for finer in (_COARSE,) * coarse + ((1.0, 2.0) if scales.size < 4 else (1.0,)):
            lattice = _explored(cond, design, sds, finer, near)
            near = None
            sample = draw(cond, lattice, draws, np.random.SeedSequence(seed))
            checks = diagnostics.at_fit(lattice, sample)
            if checks["ok"].all():
                break
    diagnostics.warn(checks)
    sample = centred.back(cond, sample)
    if checks["ok"].all():  # so that a warning is given whoever asks
        kept.keep(file, sample, finer)
    look = partial(_same, lattice)
    return Posterior(design, family, priors, cond, look, sample, seed, recipe)


def _explored(
    cond: Conditional,
    design: Design,
    sds: np.ndarray | None,
    finer: float,
    near: Posterior | None = None,
) -> Lattice:
    with one_thread():
        start, width = cond.scales.start(design, sds)
        try:
            if near is not None and near.conditional.m == cond.m:
                return explore_again(cond.with_prior, near.lattice)
            return explore(cond.with_prior, start, width, cond.scales.lower, _DEPTH, finer)
        except np.linalg.LinAlgError as error:
            raise ModelError(
                "the coefficients and the groups explain the response all but exactly, so that no "
                "residual standard deviation can be estimated: leave a term out, or give rows "
                "whose response scatters."
            ) from error


def _same(lattice: Lattice) -> Lattice:
    return lattice


def check_level(level: float) -> None:
    """Raise a ModelError for a level of intervals that is not between 0 and 1."""
    if not 0.0 < level < 1.0:
        raise ModelError(f"level is {level}: give a share between 0 and 1, such as 0.95.")


def summarise(draws: pd.DataFrame, level: float = 0.95) -> pd.DataFrame:
    """Return mean, sd, low and high of each column of draws, by equal tails; one row a column."""
    check_level(level)
    tail = (1.0 - level) / 2.0
    return pd.DataFrame(
        {
            "mean": draws.mean(),
            "sd": draws.std(),
            "low": draws.quantile(tail),
            "high": draws.quantile(1.0 - tail),
        }
    )
