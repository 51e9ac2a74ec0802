"""Modes of small designs at many standard deviations side by side.

The steps are those of `reedlab.mixed.engine.laplace.find_mode`, and the factors those of
`reedlab.mixed.engine.cholesky`; only, the points of the standard deviations are a leading axis of
every array. On a bench of some hundred reeds one step at one point is mostly the calls themselves,
so twenty points at once take little longer than one.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from reedlab.mixed.design.terms import Design
from reedlab.mixed.engine.binomial import BinomialLogit
from reedlab.mixed.engine.cells import Cells, cells_of
from reedlab.mixed.engine.cholesky import Factor
from reedlab.mixed.engine.cross_products import Cross
from reedlab.mixed.engine.laplace import BetaPrior

_MOST_ROWS, _MOST_MEMBERS = 5_000, 2_000_000
"""Rows, and cells times levels, above which the arithmetic takes longer than the calls, and the
engine's blocks serve it better."""
_AT_ONCE = 100_000  # points times rows, so that they stay in the cache
_STEPS = 60
_GOOD = 1e-9  # share of the height by which a step may fall, of rounding
Found = tuple[np.ndarray, float, Factor]
"""x, log density and factor of one point."""


def suits(design: Design) -> bool:
    """Whether a design is small, and its random terms (it has some) are intercepts by group."""
    if not design.terms or not design.p or design.n > _MOST_ROWS:
        return False
    cells = cells_of(design)
    few = cells.n_cells * max(cells.n_levels) <= _MOST_MEMBERS
    return few and cells.F is None and all(term.k == 1 for term in design.terms)


@dataclass(frozen=True)
class Sums:
    """Raw cross-products of intercepts by group (see `Cross`), alike at all G points or of each."""

    cells: Cells
    # where each term's effects stand among the unknowns; β stands behind all of them
    blocks: list[slice]
    head: np.ndarray  # head, head_rest, rest: (G or 1, L), (G or 1, L, r), (G or 1, r, r)
    head_rest: np.ndarray
    rest: np.ndarray

    def factorised(self, lambdas: np.ndarray, precision: np.ndarray) -> Factors:
        """Factor H for Λ (G, terms) and β's prior precision (G or 1, p, p).

        Raises
        ------
        numpy.linalg.LinAlgError
            Where H is not positive definite.
        """
        place = self.cells.place
        scale, q = np.ones((len(lambdas), self.rest.shape[1])), place.q_rest
        for t in place.rest:
            scale[:, place.slices[t]] = lambdas[:, [t]]
        # As `cholesky.factorise`: C C' = Λ'Z'WZΛ + I in the head, then L L' in the rest.
        lam = lambdas[:, [place.head]]
        head_inverse = 1.0 / np.sqrt(1.0 + lam**2 * self.head)
        VT = (head_inverse * lam)[:, :, None] * self.head_rest * scale[:, None, :]
        S = self.rest * scale[:, :, None] * scale[:, None, :] - VT.transpose(0, 2, 1) @ VT
        S[:, np.arange(q), np.arange(q)] += 1.0
        S[:, q:, q:] += precision
        return Factors(self, lambdas, head_inverse, VT, S, np.linalg.cholesky(S))


@dataclass(frozen=True)
class Factors:
    """Cholesky factors of H at G points: head_inverse (G, L), VT (G, L, r), chol (G, r, r)."""

    sums: Sums
    lambdas: np.ndarray
    head_inverse: np.ndarray
    VT: np.ndarray
    S: np.ndarray
    chol: np.ndarray

    @property
    def logdet(self) -> np.ndarray:
        """Log-determinants of H (G,)."""
        diagonal = np.diagonal(self.chol, axis1=1, axis2=2)
        return 2.0 * (np.log(diagonal).sum(axis=1) - np.log(self.head_inverse).sum(axis=1))

    def solve(self, g: np.ndarray) -> np.ndarray:
        """Solve H x = g for one g (m,) a point, (G, m)."""
        blocks, place = self.sums.blocks, self.sums.cells.place
        every, at_beta = np.arange(g.shape[1]), max(block.stop for block in blocks)
        of_rest = np.concatenate([*(every[blocks[t]] for t in place.rest), every[at_beta:]])
        of_head, out = blocks[place.head], np.empty_like(g)
        forwards = self.head_inverse * g[:, of_head]
        side = g[:, of_rest] - (forwards[:, None, :] @ self.VT)[:, 0]
        out[:, of_rest] = moved = np.linalg.solve(self.S, side[:, :, None])[:, :, 0]
        out[:, of_head] = self.head_inverse * (forwards - (self.VT @ moved[:, :, None])[:, :, 0])
        return out

    def one(self, g: int, cross: Cross) -> Factor:
        """Give the engine's factor of H at one point."""
        lambdas = [lam.reshape(1, 1) for lam in self.lambdas[g]]
        inverse = self.head_inverse[g][:, None, None]
        return Factor(cross, lambdas, inverse, self.VT[g], self.chol[g])


@dataclass(frozen=True)
class _Look:
    """What is at G points: log density of the unknowns, Newton's step, and the factors of H."""

    log_joint: np.ndarray  # (G,)
    step: np.ndarray  # (G, m)
    decrement: np.ndarray  # (G,)
    factors: Factors
    moments: np.ndarray  # (G, C)

    def factor(self, g: int) -> Factor:
        """Give the engine's factor of H at one point."""
        sums = self.factors.sums
        head, moments = sums.head[g][:, None, None], self.moments[g][None, None]
        return self.factors.one(
            g, Cross(sums.cells, moments, head, sums.head_rest[g], sums.rest[g])
        )


@dataclass(frozen=True)
class ManyModes:
    """Modes of (v, β) of binomial rows whose terms are intercepts by group."""

    design: Design
    likelihood: BinomialLogit  # of these rows and trials; the response is each point's own
    prior: BetaPrior  # of β
    # where each term's effects stand among the unknowns; β stands behind all of them
    blocks: list[slice]

    @cached_property
    def _cells(self) -> Cells:
        return cells_of(self.design)

    @cached_property
    def _members(self) -> list[np.ndarray]:
        """For each term which cells are of which level, (C, levels)."""
        of = self._cells.level, self._cells.n_levels
        return [(level[:, None] == np.arange(n)).astype(float) for level, n in zip(*of)]

    @cached_property
    def _pairs(self) -> dict[tuple[int, int], tuple[np.ndarray, np.ndarray, np.ndarray]]:
        """For two terms: an order of the cells by pair of levels, each pair's first, the pairs."""
        cells, found = self._cells, {}
        for t in (cells.place.head, *cells.place.rest):
            for s in cells.place.rest:
                code = cells.level[t] * cells.n_levels[s] + cells.level[s]
                order = np.argsort(code, kind="stable")
                pairs, starts = np.unique(code[order], return_index=True)
                found[t, s] = order, starts, pairs
        return found

    def find(
        self, lambdas: np.ndarray, x: np.ndarray, close: float, y: np.ndarray
    ) -> list[Found] | None:
        """Find the modes by Newton steps, each halved until it does not lead downwards.

        From x (G, m), at the groups' standard deviations (G, terms) and each point's response y (G,
        n), in cell order; the last step, of a Newton decrement under `close`, is taken on the last
        curvature. None where a mode was not found.
        """
        step = max(1, _AT_ONCE // self.design.n)
        found: list[Found] = []
        for at in range(0, len(x), step):
            rows = slice(at, at + step)
            some = self._find(lambdas[rows], x[rows], close, y[rows])
            if some is None:
                return None
            found += some
        return found

    def _find(
        self, lambdas: np.ndarray, x: np.ndarray, close: float, y: np.ndarray
    ) -> list[Found] | None:
        done: list[Found | None] = [None] * len(x)
        here, move = x.copy(), np.zeros_like(x)
        height, left = np.full(len(x), -np.inf), np.arange(len(x))
        for _ in range(_STEPS):
            try:
                look = self._look(lambdas[left], here[left] + move[left], y[left])
            except np.linalg.LinAlgError:
                return None
            down = ~(look.log_joint >= height[left] - _GOOD * np.abs(height[left]))
            down &= np.isfinite(height[left])
            move[left[down]] *= 0.5
            up = left[~down]
            here[up] += move[up]
            height[up], move[up] = look.log_joint[~down], look.step[~down]
            near = ~down & (look.decrement < close)
            density = look.log_joint - 0.5 * look.factors.logdet + 0.5 * look.decrement
            for g in np.flatnonzero(near).tolist():
                at = int(left[g])
                done[at] = here[at] + move[at], float(density[g]), look.factor(g)
            left = left[~near]
            if not len(left):
                return [each for each in done if each is not None]
        return None

    def linear(self, lambdas: np.ndarray, x: np.ndarray) -> np.ndarray:
        """Linear predictors (G, n), in cell order, at x (G, m) for Λ (G, terms)."""
        cells = self._cells
        at_cell = sum(
            (lambdas[:, [t]] * x[:, block]).take(level, axis=1)
            for t, (block, level) in enumerate(zip(self.blocks, cells.level))
        )
        return at_cell.take(cells.cell, axis=1) + x[:, sum(cells.n_levels) :] @ cells.XT

    def _look(self, lambdas: np.ndarray, x: np.ndarray, y: np.ndarray) -> _Look:
        """Value, Newton's step and curvature at x (G, m) for Λ (G, terms)."""
        cells, place = self._cells, self._cells.place
        mean, precision = self.prior
        v, at_beta = [x[:, block] for block in self.blocks], sum(cells.n_levels)
        beta, n = x[:, at_beta:], len(x)
        log_lik, score, weight = self.likelihood.many_steps(self.linear(lambdas, x), y)
        away = beta - mean
        pull = away @ precision
        log_joint = log_lik - 0.5 * (np.sum(x[:, :at_beta] ** 2, 1) + np.sum(away * pull, 1))
        # Sums over the cells, then over levels and pairs of levels (see `cross_products`).
        scores = np.add.reduceat(score, cells.starts, axis=1)
        moments = np.add.reduceat(weight, cells.starts, axis=1)
        weighted = weight[:, None, :] * cells.XT
        x_cells = np.add.reduceat(weighted, cells.starts, axis=2)
        own = [moments @ member for member in self._members]
        h, q, p = place.head, place.q_rest, len(cells.XT)
        rest = np.zeros((n, q + p, q + p))
        head_rest = np.empty((n, cells.n_levels[h], q + p))
        head_rest[:, :, q:] = (x_cells @ self._members[h]).transpose(0, 2, 1)
        for t in place.rest:
            at = place.slices[t]
            head_rest[:, :, at] = self._pair(h, t, moments)
            places = np.arange(at.start, at.stop)
            rest[:, places, places] = own[t]
            rest[:, q:, at] = x_cells @ self._members[t]
            rest[:, at, q:] = rest[:, q:, at].transpose(0, 2, 1)
            for s in place.rest:
                if s > t:
                    rest[:, at, place.slices[s]] = both = self._pair(t, s, moments)
                    rest[:, place.slices[s], at] = both.transpose(0, 2, 1)
        rest[:, q:, q:] = weighted @ cells.XT.T
        sums = Sums(cells, self.blocks, own[h], head_rest, rest)
        factors = sums.factorised(lambdas, precision)
        # Newton's step: the gradient in v is Λ'Z'score - v, that in β X'score - P(β - mean).
        gradient = np.empty_like(x)
        for t, member in enumerate(self._members):
            gradient[:, self.blocks[t]] = lambdas[:, [t]] * (scores @ member) - v[t]
        gradient[:, at_beta:] = score @ cells.XT.T - pull
        step = factors.solve(gradient)
        return _Look(log_joint, step, np.sum(gradient * step, axis=1), factors, moments)

    def _pair(self, t: int, s: int, moments: np.ndarray) -> np.ndarray:
        """Z_t'WZ_s (G, levels_t, levels_s) from the cells' weights (G, C)."""
        order, starts, pairs = self._pairs[t, s]
        out = np.zeros((len(moments), self._cells.n_levels[t] * self._cells.n_levels[s]))
        out[:, pairs] = np.add.reduceat(moments[:, order], starts, axis=1)
        return out.reshape(len(moments), self._cells.n_levels[t], -1)
