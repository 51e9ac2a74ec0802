"""The posterior of a 0/1 response of which some values are not known yet.

The unknown values are drawn with everything else (data augmentation, Tanner and Wong 1987): given
the effects, an unknown value is 1 with the model's odds times what is known of it from outside;
given all values, the effects are drawn as for any response. What is pooled are the full posteriors
of a few completed sets, each some cycles after the one before.

References
----------
Tanner, M. A. and Wong, W. H. (1987). The calculation of posterior distributions by data
augmentation. Journal of the American Statistical Association 82, 528-540.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy.special import expit, logit

from reedlab.mixed.design.matrices import Recipe
from reedlab.mixed.design.terms import Design
from reedlab.mixed.engine.cells import cells_of, same_rows
from reedlab.mixed.parallel import one_thread
from reedlab.mixed.posterior.conditional import NewtonConditional
from reedlab.mixed.posterior.nested_laplace import Posterior, design_posterior
from reedlab.mixed.posterior.priors import Priors
from reedlab.mixed.posterior.sampling import Sample
from reedlab.mixed.posterior.scales import Scales

LogOdds = Callable[[np.ndarray, np.random.Generator], np.ndarray]
"""From the linear predictor of the unknown values: log of how much likelier what is seen of each is
with a 1 than with a 0."""
_FIRST, _BETWEEN = 30, 10
"""Cycles before the first completed set, and between two: unknown values, what is known of them and
a slope over time hold each other, so that a few cycles stay near where they began."""


def with_unknown(
    design: Design,
    unknown: np.ndarray,
    log_odds: LogOdds,
    priors: Priors,
    sets: int,
    seed: int = 1,
    draws: int = 4000,
    recipe: Recipe | None = None,
) -> tuple[Posterior, np.ndarray]:
    """Return the posterior of a binomial model and how often each unknown value was drawn as 1.

    The design has all rows, of intercepts by group; the response of `unknown` rows is not looked
    at, and some are known. `log_odds` is what is known of the unknown values from outside. The
    posterior's design has the response of the last of the completed `sets` that are pooled.
    """
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(3,)))
    y, ones = design.y.astype(float), np.zeros(int(unknown.sum()))

    def complete(eta: np.ndarray, u: np.ndarray) -> None:
        y[unknown] = u < expit(eta + log_odds(eta, rng))

    known = y[~unknown]
    middle = logit((known.sum() + 0.5) / (len(known) + 1.0))
    y[unknown] = rng.random(len(ones)) < expit(middle)
    complete(np.full(len(ones), middle), rng.random(len(ones)))
    # The first cycles take the standard deviations from the prior, later ones from the posterior of
    # the set before.
    scales = Scales.of(design.terms, priors, residual=False)
    points, sds, mode = scales.start(design, None)[0][None], None, None
    centred = priors.centred("binomial", y)
    given = NewtonConditional(same_rows(design, y.copy()), "binomial", centred, scales).given
    posts: list[Posterior] = []
    apart = rng.random(len(ones))
    for share in np.diff(np.linspace(0, draws, sets + 1).astype(int)):
        cycles = _BETWEEN if posts else _FIRST
        for cycle in range(1, cycles + 1):
            point = points[[rng.integers(len(points))]]
            eta, mode = _linear_draw(given(y.copy()), point, mode, rng)
            # The uniform numbers behind the completed sets are evenly apart, so that the sets
            # hold each value as often as is likely, and the mixture varies less between seeds.
            u = (apart + len(posts) / sets) % 1.0 if cycle == cycles else rng.random(len(ones))
            complete(eta[unknown], u)
            ones += y[unknown]
        own, drawn = int(share), int(rng.integers(2**31))
        now, near = same_rows(design, y.copy()), posts[0] if posts else None
        posts.append(design_posterior(now, "binomial", priors, drawn, own, recipe, sds, True, near))
        points = posts[-1].sample.points
        sds = points.mean(axis=0)
    pooled = Sample(
        np.concatenate([post.sample.points for post in posts]),
        np.concatenate([post.sample.effects for post in posts]),
        max(post.sample.pareto_k for post in posts),
        min(post.sample.effective for post in posts),
    )
    return replace(posts[-1], sample=pooled), ones / (_FIRST + (sets - 1) * _BETWEEN)


def _linear_draw(
    cond: NewtonConditional, point: np.ndarray, start: np.ndarray | None, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Draw Z u + X β (n,) given the standard deviations, by the normal at its mode (1, m)."""
    with one_thread():
        modes = cond.modes(point, start)
        x = modes.x + cond.sample(modes, 0, rng.standard_normal((1, cond.m)))
    out = np.empty(cond.design.n)
    out[cells_of(cond.design).order] = cond.linear(cond.scale(x, point), cond.design)[0]
    return out, modes.x
