"""Pooling over imputations: mixed draws, what the gaps cost, and Monte Carlo errors.

Filling in takes it that whether a piece was read does not depend on the reading itself. The records
cannot show whether that is so; `FilledPosterior.delta_adjusted` shows how far an answer would move
if the pieces that were not read had other readings than those filled in.

References
----------
Rubin, D. B. (1987). Multiple Imputation for Nonresponse in Surveys. van Buuren, S. (2018). Flexible
Imputation of Missing Data, 2nd ed., section 9.2 (delta adjustment). White, I. R., Royston, P. and
Wood, A. M. (2011). Multiple imputation using chained equations. Statistics in Medicine 30, 377-399
(Monte Carlo errors by jackknife). von Hippel, P. T. (2020). How many imputations do you need? A
two-stage calculation using a quadratic rule. Sociological Methods & Research 49, 699-718.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from html import escape
from warnings import catch_warnings, simplefilter

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from reedlab.errors import ModelError, PosteriorWarning
from reedlab.mixed.design.matrices import build
from reedlab.mixed.design.refusals import check_whole
from reedlab.mixed.gaps.incomplete import Imputations
from reedlab.mixed.posterior import diagnostics
from reedlab.mixed.posterior.nested_laplace import Posterior, design_posterior, summarise
from reedlab.mixed.posterior.priors import Priors
from reedlab.mixed.posterior.sensitivity import sensitivity

HELD = 1000
"""Draws made of each completed set's posterior before they are thinned."""
_REPEATABLE = 0.1
"""Coefficient of variation of a standard error over sets of imputations."""
DOUBTFUL, REFUSED = 0.5, 0.8
"""Fraction of missing information above which the records cannot say what a parameter is, and above
which no estimate of it is given."""


class NotedFrame(pd.DataFrame):
    """A frame that says beneath itself what a reader must know of it.

    Attributes
    ----------
    notes : tuple of str
        One sentence each.
    """

    _metadata = ["notes"]  # noqa: RUF012, which pandas asks for
    notes: tuple[str, ...] = ()

    @property
    def _constructor(self) -> type[NotedFrame]:
        return NotedFrame

    def __repr__(self) -> str:
        """Show the frame, then its notes."""
        return "\n\n".join([super().__repr__(), *self.notes])

    def _repr_html_(self) -> str:
        items = "".join(f"<li>{escape(note)}</li>" for note in self.notes)
        return super()._repr_html_() + (f"<ul>{items}</ul>" if items else "")


@dataclass(frozen=True, repr=False)
class FilledPosterior:
    """A model's posterior with the missing measurements among the unknowns.

    It offers what a `Posterior` does; every answer takes equal numbers of draws from each
    imputation, in turn.

    Attributes
    ----------
    posteriors : tuple of Posterior
        One a completed data set.
    imputations : Imputations
        What was filled in.
    warnings : tuple of tuple of str
        What each posterior warned of.
    """

    posteriors: tuple[Posterior, ...]
    imputations: Imputations
    warnings: tuple[tuple[str, ...], ...] = ()

    def __repr__(self) -> str:
        """Show mean, sd and 95 % interval of every parameter, and the notes."""
        return repr(self.summary())

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters, as in `Posterior.names`."""
        return self.posteriors[0].names

    @property
    def m(self) -> int:
        """Number of imputations."""
        return len(self.posteriors)

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader must know, one sentence each."""
        notes = [*self.imputations.notes, *self.doubts]
        poor = [warned[0] for warned in self.warnings if warned]
        if poor:
            notes.append(f"In {len(poor)} of {self.m} completed sets: {poor[0]}")
        if self.unsettled:
            names = ", ".join(self.unsettled)
            notes.append(
                f"The interval of {names} would move by more than a tenth of its width with other "
                f"imputations: ask for more than {self.m}."
            )
        return tuple(notes)

    @property
    def doubts(self) -> tuple[str, ...]:
        """Sentences on parameters of which much of the information is missing."""
        missing, said = self.missing, []
        for over, up_to, so in (
            (REFUSED, 1.0, "so that no estimate is given"),
            (DOUBTFUL, REFUSED, "so that they cannot say yet"),
        ):
            some = missing[(missing > over) & (missing <= up_to)]
            if len(some):
                shares = ", ".join(f"{name} ({share:.0%})" for name, share in some.items())
                said.append(f"The records lack most of the information on {shares}, {so}.")
        return tuple(said)

    @property
    def unsettled(self) -> tuple[str, ...]:
        """Parameters with a Monte Carlo error above a tenth of their interval's width."""
        found, table = self.information(), summarise(self.draws())
        error = found[["low_error", "high_error"]].max(axis=1)
        return tuple(found.index[error > 0.1 * (table["high"] - table["low"])])

    def draws(self, n: int | None = None) -> pd.DataFrame:
        """Return draws of the parameters, one row a draw; see `Posterior.draws`."""
        each = self._each(lambda i, k: self.posteriors[i].draws(k).to_numpy(), n)
        return pd.DataFrame(each, columns=list(self.names))

    @cached_property
    def missing(self) -> pd.Series:
        """Rubin's fraction of missing information on each parameter, 0 to 1."""
        per = self._per_imputation()
        table = rubin(per.mean(axis=1), per.var(axis=1, ddof=1))
        return table["missing"].set_axis([*self.names])

    def summary(self, level: float = 0.95) -> NotedFrame:
        """Return mean, sd and an equal-tailed interval of every parameter, with the notes beneath.

        Returns
        -------
        NotedFrame
            mean, sd, low, high, and missing: Rubin's fraction of missing information. A parameter
            of which more than `REFUSED` of it is missing has nothing else.
        """
        table = NotedFrame(summarise(self.draws(), level).assign(missing=self.missing))
        table.loc[self.missing > REFUSED, ["mean", "sd", "low", "high"]] = np.nan
        table.notes = self.notes
        return table

    def delta_adjusted(
        self,
        column: str,
        shifts: Sequence[float] | np.ndarray = (-1.0, -0.5, 0.5, 1.0),
        *,
        m: int | None = None,
        level: float = 0.95,
    ) -> pd.DataFrame:
        """Return what would be said if unread pieces had other readings than those filled in.

        Filling in is right where whether a piece was read does not depend on its reading. Were the
        soft pieces left unread, their readings would be lower than what is filled in. Here a
        constant is added to what is filled in for one column, and the posteriors are taken anew;
        other columns stay as they were filled in.

        Parameters
        ----------
        column : str
            A column that was filled in.
        shifts : sequence of float
            What is added, in standard deviations of the column's readings.
        m : int, optional
            Number of imputations that it is done for, all unless given.
        level : float
            Of the intervals.

        Returns
        -------
        DataFrame
            One row a parameter and shift, 0 among them: parameter, shift, mean, sd, low, high, and
            moved, the mean's distance from that at shift 0 in standard deviations of the latter.

        Raises
        ------
        ModelError
            When `column` was not filled in, a shift is no number, or there are not as many
            imputations as `m`.

        Examples
        --------
        >>> import reedlab as rl
        >>> from reedlab.simulate import simulate_reeds
        >>> reeds, _ = simulate_reeds(seed=1, reeds=(10, 12))
        >>> reeds.loc[reeds.index % 3 == 0, "density_g_cm3"] = None
        >>> post = rl.fit_filled(
        ...     "success ~ density_g_cm3 + (1 | lot)", reeds, "binomial", m=2, draws=200)
        >>> post.delta_adjusted("density_g_cm3", [-0.5, 0.5])["shift"].unique().tolist()
        [-0.5, 0.0, 0.5]
        """
        m = self.m if m is None else m
        if not 2 <= m <= self.m:
            raise ModelError(f"m is {m}: give a number of imputations from 2 to {self.m}.")
        if not np.isfinite(shifts := np.atleast_1d(shifts).astype(float)).all():
            raise ModelError(f"shifts are {shifts}: give numbers of standard deviations.")
        some = replace(self, posteriors=self.posteriors[:m])
        at = {0.0: summarise(some.draws(), level)}
        for by in shifts:
            at[float(by)] = summarise(some._shifted(column, by).draws(), level)
        middle = at[0.0]
        frames = [
            table.assign(shift=by, moved=(table["mean"] - middle["mean"]) / middle["sd"])
            for by, table in sorted(at.items())
        ]
        found = pd.concat([frame.rename_axis("parameter").reset_index() for frame in frames])
        found = found.sort_values("parameter", key=middle.index.get_indexer, kind="stable")
        columns = ["parameter", "shift", "mean", "sd", "low", "high", "moved"]
        return found[columns].reset_index(drop=True)

    def _shifted(self, column: str, by: float) -> FilledPosterior:
        """Take the posteriors with `by` standard deviations added to what is filled in."""
        made = self.imputations
        if column not in made.gaps.columns:
            known = ", ".join(made.gaps.columns)
            raise ModelError(f"{column!r} was not filled in: choose one of {known}.")
        j, values = made.gaps.columns.index(column), made.values.copy()
        values[:, ~made.measured[:, j], j] += by * made.gaps.pieces.scale[j]
        found = [
            posterior_of(
                made.gaps.completed(values[i]),
                post.recipe.formula.text,
                post.family,
                post.recipe.trials,
                post.priors,
                post.seed,
                len(post.sample.points),
                near=post,
            )
            for i, post in enumerate(self.posteriors)
            if post.recipe is not None
        ]
        posteriors, warned = zip(*found)
        return replace(self, posteriors=posteriors, warnings=warned)

    def diagnostics(self) -> pd.DataFrame:
        """Return each check of `Posterior.diagnostics` where it is worst, and warn of those.

        Columns as there, and imputation: the completed set (from 1) whose value it is.
        """
        with catch_warnings():
            simplefilter("ignore", PosteriorWarning)
            table = diagnostics.worst([post.diagnostics() for post in self.posteriors])
        diagnostics.warn(table)
        return table

    def sensitivity(
        self, scales: Sequence[float] = (0.5, 1.0, 2.0), level: float = 0.95
    ) -> pd.DataFrame:
        """Return what would be said under scaled priors; see `Posterior.sensitivity`.

        The model's priors are scaled, not those that the readings are filled in by.
        """
        return sensitivity(self, scales, level)

    def scaled(self, factor: float) -> FilledPosterior:
        """Return the posterior under priors with the scales of the groups multiplied."""
        held = len(self.posteriors[0].sample.points)
        again = (post.scaled(factor, max(HELD, held)).first(held) for post in self.posteriors)
        return replace(self, posteriors=tuple(again))

    def levels_draws(
        self, group: str, n: int | None = None, name: str = "Intercept"
    ) -> pd.DataFrame:
        """Return draws of a group's effects; see `Posterior.levels_draws`."""
        levels = self.posteriors[0].levels_draws(group, 1, name).columns
        each = self._each(
            lambda i, k: self.posteriors[i].levels_draws(group, k, name).to_numpy(), n
        )
        return pd.DataFrame(each, columns=levels)

    def predict(
        self,
        data: pd.DataFrame,
        new_levels: str | Collection[str] = (),
        n: int | None = None,
        seed: int | None = None,
    ) -> np.ndarray:
        """Draw what the model expects of new rows; see `Posterior.predict`."""

        def ask(i: int, k: int) -> np.ndarray:
            own = None if seed is None else seed + i  # new levels differ between imputations
            return self.posteriors[i].predict(data, new_levels, k, own)

        return self._each(ask, n)

    def information(self, level: float = 0.95) -> pd.DataFrame:
        """Say what the gaps cost each parameter, with the Monte Carlo error of filling them in.

        `level` is that of the interval whose ends are judged; columns as in `pooling.information`.
        """
        return information(self._per_imputation(), self.names, level)

    def _per_imputation(self) -> np.ndarray:
        """Draws (m, draws, parameters) of each completed set."""
        return np.array([post.draws().to_numpy() for post in self.posteriors])

    def _each(self, ask: Callable[[int, int], np.ndarray], n: int | None) -> np.ndarray:
        """Ask each imputation's posterior for as many draws, and take them in turn."""
        held = len(self.posteriors[0].sample.points)
        n = self.m * held if n is None else n
        check_whole(n, 1, "n", "draws")
        if n > self.m * held:
            raise ModelError(
                f"{n} draws are asked for and {self.m * held} are held: give draws= to posterior()."
            )
        each = np.stack([ask(i, -(-n // self.m)) for i in range(self.m)], axis=1)
        return each.reshape(-1, *each.shape[2:])[:n]


def posterior_of(
    frame: pd.DataFrame,
    formula: str,
    family: str,
    trials: str | None,
    priors: Priors | None,
    seed: int,
    draws: int,
    near: Posterior | None = None,
) -> tuple[Posterior, tuple[str, ...]]:
    """Return the posterior of a model on a completed frame, and what it warned of.

    `near` is that of another completed frame; the rest is as in `missing.fit_filled`.
    """
    design, recipe = build(formula, frame, family, trials)
    priors = priors or Priors.default(family, design.y)
    with catch_warnings(record=True) as warned:
        simplefilter("always")
        drawn = max(HELD, draws)
        post = design_posterior(design, family, priors, seed, drawn, recipe, coarse=True, near=near)
    return post.first(draws), tuple(str(w.message) for w in warned)


def imputations_needed(missing: float, pilot: int) -> int:
    """Say how many imputations make a standard error repeatable to a tenth, or at least the pilot.

    `missing` is the fraction of missing information that the pilot's imputations found.

    References
    ----------
    von Hippel (2020), equation 2 and its two stages.

    Examples
    --------
    >>> imputations_needed(0.3, 10), imputations_needed(0.05, 10)
    (14, 10)
    """
    # From the upper end of the fraction's 95 % interval:
    # m = 1 + ½ (γ / CV)², CV the coefficient of variation of the standard error.
    upper = missing_range(missing, pilot)[1]
    return max(pilot, int(np.ceil(1.0 + 0.5 * (upper / _REPEATABLE) ** 2)))


def missing_range(missing: float, m: int) -> tuple[float, float]:
    """Return the 95 % interval of a fraction of missing information that m imputations found.

    References
    ----------
    von Hippel (2020), equation 3: the logit has the variance 2/m.

    Examples
    --------
    >>> low, high = missing_range(0.3, 10)
    >>> f"{low:.2f} to {high:.2f}"
    '0.15 to 0.51'
    """
    logit_ends = logit(np.clip(missing, 1e-6, 1 - 1e-6)) + np.array([-1.96, 1.96]) * np.sqrt(2 / m)
    low, high = expit(logit_ends)
    return float(low), float(high)


def information(draws: np.ndarray, names: Sequence[str], level: float = 0.95) -> pd.DataFrame:
    """Say what is missing of the information on each parameter.

    From draws (m, draws, parameters) of each completed data set; the level is of the interval whose
    ends are judged. One row a parameter: mean, sd (of the mixed draws), missing (Rubin's fraction
    of missing information), mean_error, low_error, high_error: Monte Carlo errors of the mean and
    of the interval's ends, by leaving out one imputation at a time.
    """
    m, _, p = draws.shape
    kept = [np.delete(draws, i, axis=0).reshape(-1, p) for i in range(m)]
    tails = ((1.0 - level) / 2.0, (1.0 + level) / 2.0)
    mixed = draws.reshape(-1, p)
    return pd.DataFrame(
        {
            "mean": mixed.mean(axis=0),
            "sd": mixed.std(axis=0, ddof=1),
            "missing": rubin(draws.mean(axis=1), draws.var(axis=1, ddof=1))["missing"].to_numpy(),
            "mean_error": jackknife([d.mean(axis=0) for d in kept]),
            "low_error": jackknife([np.quantile(d, tails[0], axis=0) for d in kept]),
            "high_error": jackknife([np.quantile(d, tails[1], axis=0) for d in kept]),
        },
        index=list(names),
    )


def rubin(estimates: np.ndarray, variances: np.ndarray) -> pd.DataFrame:
    """Pool estimates (m, parameters) of completed data sets, and their variances, by Rubin's rules.

    One row a parameter: estimate, within, between, total (variances), df, missing (fraction of
    missing information, Rubin 1987, 3.1.10).

    Examples
    --------
    >>> rubin(np.array([[1.0], [2.0], [3.0]]), np.full((3, 1), 2.0)).round(3).iloc[0].tolist()
    [2.0, 2.0, 1.0, 3.333, 12.5, 0.477]
    """
    # Rubin 1987, 3.1.2 to 3.1.10: W = mean of variances, B = variance of estimates,
    # T = W + (1 + 1/m) B, r = (1 + 1/m) B / W, df = (m - 1) (1 + 1/r)²,
    # missing = (r + 2/(df + 3)) / (1 + r)
    m = len(estimates)
    within, between = variances.mean(axis=0), estimates.var(axis=0, ddof=1)
    extra = (1.0 + 1.0 / m) * between
    ratio = extra / within
    df = np.full(len(ratio), np.inf)
    np.divide((m - 1) * (1.0 + ratio) ** 2, ratio**2, out=df, where=ratio > 0.0)
    return pd.DataFrame(
        {
            "estimate": estimates.mean(axis=0),
            "within": within,
            "between": between,
            "total": within + extra,
            "df": df,
            "missing": (ratio + 2.0 / (df + 3.0)) / (1.0 + ratio),
        }
    )


def jackknife(left_out: Sequence[np.ndarray]) -> np.ndarray:
    """Return a statistic's standard error (p,), given its values with each imputation left out."""
    # jackknife: (m - 1)/m Σ (t₋ᵢ - t̄)² = (m - 1)²/m times their sample variance (White et al. 2011)
    m = len(left_out)
    return np.asarray(np.sqrt((m - 1) ** 2 / m * np.var(left_out, axis=0, ddof=1)))
