"""Explore the posterior of the standard deviations on a lattice, and draw between its nodes.

The nodes are reached from the mode outwards, neighbour by neighbour, until the log density has
fallen by `depth`; so the lattice follows whatever shape the posterior has, and ends at zero where a
standard deviation can be zero. Steps grow outwards, for the long upper tails of standard
deviations.

Between nodes the density is interpolated multilinearly. Such a density is a mixture of tent
functions, one a node, so that a draw is: pick a node, then move off it by a triangular variate in
each coordinate. The conditional's mode and the inverse of its Cholesky factor are interpolated with
the same weights, which keeps the proposal's density known exactly.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise, product

import numpy as np
from scipy.sparse import csc_matrix

from reedlab.errors import ModelError
from reedlab.mixed.posterior.conditional import Conditional, Modes

Evaluate = Callable[[np.ndarray, np.ndarray | None], Modes]

_STEP = {0: 1.0, 1: 0.5, 2: 0.8, 3: 1.2, 4: 1.4, 5: 1.6, 6: 1.8}
"""Step of the lattice in standard deviations of the posterior, by the number of coordinates."""
_LONGEST = 40  # steps from the mode to either side
_LINE = (1.0, 2.0)  # widths from its middle at which a climb looks along each coordinate
_BATCH = 100_000  # draws times unknowns at once, so that they stay in the cache
_FACTORS = 16  # of a factor's diagonal whose product is taken before the logarithm
_DF = 8.0  # of the tails that coefficients are proposed with


@dataclass(frozen=True)
class Lattice:
    """Nodes in the space of the standard deviations and what was found there."""

    axes: tuple[np.ndarray, ...]  # positions along each coordinate
    index: np.ndarray  # each node's place along the axes, shape (N, d), sorted by `keys`
    # the conditional's modes, factors and log densities at the nodes, the prior of the standard
    # deviations included
    modes: Modes
    depth: float  # how far below the highest log density a node may lie and still be passed through

    @property
    def keys(self) -> np.ndarray:
        """One whole number a node, ascending."""
        return _keys(self.index)

    @property
    def points(self) -> np.ndarray:
        """The nodes' coordinates (N, d)."""
        return _places(self.axes, self.index)

    @property
    def density(self) -> np.ndarray:
        """Density at the nodes relative to the highest."""
        return np.exp(self.modes.log_density - self.modes.log_density.max())

    @property
    def weights(self) -> np.ndarray:
        """Each node's share of the probability: its density times its tent's volume."""
        volume = np.ones(len(self.index))
        for axis, i in zip(self.axes, self.index.T):
            left, right = _reach(axis, i)
            volume *= 0.5 * (left + right)
        weight = self.density * volume
        return weight / weight.sum()

    @property
    def edge_weight(self) -> float:
        """Share of the probability on nodes with a neighbour that was not explored."""
        keys, outer = self.keys, np.zeros(len(self.index), dtype=bool)
        for k, side in product(range(len(self.axes)), (-1, 1)):
            near = self.index.copy()
            near[:, k] += side
            inside = near[:, k] >= 0 if self.axes[k][0] == 0.0 else np.ones(len(near), bool)
            outer |= inside & (_find(keys, _keys(near)) < 0)
        return float(self.weights[outer].sum())


@dataclass(frozen=True)
class Proposal:
    """Draws from the interpolated approximation.

    Attributes
    ----------
    points
        The standard deviations' coordinates, shape (S, d).
    x
        (v, β), shape (S, m).
    log_density
        Log density of the approximation at each draw, up to one constant.
    """

    points: np.ndarray
    x: np.ndarray
    log_density: np.ndarray


def explore(
    evaluate: Evaluate,
    start: np.ndarray,
    width: np.ndarray,
    lower: np.ndarray,
    depth: float,
    finer: float = 1.0,
) -> Lattice:
    """Find the mode and walk outwards from it, until the log density has fallen by `depth`.

    `evaluate` gives `Modes` (log density with the standard deviations' prior) at points (G, d),
    from starts (G, m) or one for all (1, m). `start` and `width` are a first guess of the mode (d,)
    and of the coordinates' standard deviations (d,), `lower` their lower bounds, 0 or minus
    infinity. The nodes lie as many times closer than usual as `finer` says.
    """
    d = len(start)
    if d not in _STEP:
        raise ModelError(
            f"the posterior of {d} standard deviations and correlations together is more than the "
            f"lattice holds (at most {max(_STEP)}): write slopes with || or leave out a random "
            "term."
        )
    # Rue, Martino and Chopin 2009, section 3.1: mode of the density of the standard deviations,
    # then a grid around it in steps of its own widths, as far as the log density stays within
    # `depth` of its top.
    centre, width, top = _climb(evaluate, start, width, lower)
    axes = tuple(_axis(c, _STEP[d] / finer * s, b) for c, s, b in zip(centre, width, lower))
    index = np.array([[np.searchsorted(axis, c) for axis, c in zip(axes, centre)]], dtype=np.int64)
    return _walk(evaluate, Lattice(axes, index, top, depth), _everywhere(axes), None)


def explore_again(evaluate: Evaluate, like: Lattice) -> Lattice:
    """Explore a density much like one explored before: at its nodes at once, and on from there."""
    found = replace(like, modes=evaluate(like.points, like.modes.x))
    return _walk(evaluate, found, _everywhere(like.axes), None)


def _everywhere(axes: tuple[np.ndarray, ...]) -> np.ndarray:
    """Limits (d, 2) that are the axes' ends."""
    return np.array([[0, len(axis) - 1] for axis in axes])


def widen(
    evaluate: Evaluate, lattice: Lattice, log_value: Callable[[np.ndarray, Modes], np.ndarray]
) -> Lattice:
    """Walk on, to twice the range, wherever density times a value may still count.

    `log_value` is the log of what is to be averaged, at points (G, d) and the modes there.
    """
    limits = []
    top = lattice.points[np.argmax(lattice.modes.log_density)]
    for axis, centre, place in zip(lattice.axes, top, lattice.index.T):
        ends = centre + 2.0 * (axis[[place.min(), place.max()]] - centre)
        limits.append(np.searchsorted(axis, ends, side="left").clip(max=len(axis) - 1))
    return _walk(evaluate, lattice, np.array(limits), log_value)


def _walk(
    evaluate: Evaluate,
    lattice: Lattice,
    limits: np.ndarray,
    log_value: Callable[[np.ndarray, Modes], np.ndarray] | None,
) -> Lattice:
    """Add neighbours within limits (d, 2) until none is left that stands next to a high node."""
    axes, index, modes, depth = lattice.axes, lattice.index, lattice.modes, lattice.depth
    while axes:
        # The next wave: unexplored neighbours of nodes that are high enough to be passed through.
        density = modes.log_density
        inner = density > density.max() - depth
        if log_value is not None:
            value = density + log_value(_places(axes, index), modes)
            inner |= value > value.max() - depth
        wave = np.unique(np.concatenate([index[inner] + s for s in _sides(len(axes))]), axis=0)
        wave = wave[np.all((wave >= limits[:, 0]) & (wave <= limits[:, 1]), axis=1)]
        order = np.argsort(_keys(index))
        wave = wave[_find(_keys(index)[order], _keys(wave)) < 0]
        if not len(wave):
            return Lattice(axes, index[order], modes.take(order), depth)
        found = evaluate(_places(axes, wave), _onwards(axes, index, modes.x, wave))
        index, modes = np.concatenate([index, wave]), modes.join(found)
    return lattice  # without a standard deviation it is one point


def _onwards(
    axes: tuple[np.ndarray, ...], index: np.ndarray, x: np.ndarray, wave: np.ndarray
) -> np.ndarray:
    """Give starts (G, m): from the nearest node on, along the line from the one behind it."""
    near = np.argmin(((wave[:, None] - index) ** 2).sum(axis=2), axis=1)
    order = np.argsort(_keys(index))
    back = _find(_keys(index)[order], _keys(2 * index[near] - wave))
    behind = np.where(back >= 0, order[back], near)
    at, now, past = (_places(axes, i).sum(axis=1) for i in (wave, index[near], index[behind]))
    ratio = np.divide(at - now, now - past, out=np.zeros(len(wave)), where=now != past)
    out: np.ndarray = x[near] + ratio[:, None] * (x[near] - x[behind])
    return out


def _places(axes: tuple[np.ndarray, ...], index: np.ndarray) -> np.ndarray:
    """Coordinates (N, d) of lattice places."""
    places = [a[i] for a, i in zip(axes, index.T)]
    return np.column_stack(places) if places else np.zeros(index.shape)


def _sides(d: int) -> list[np.ndarray]:
    """Give the steps to the 2d neighbours of a node."""
    return [*np.eye(d, dtype=np.int64), *-np.eye(d, dtype=np.int64)]


def _climb(
    evaluate: Evaluate, centre: np.ndarray, width: np.ndarray, lower: np.ndarray
) -> tuple[np.ndarray, np.ndarray, Modes]:
    """Mode, widths and what is at the mode, by lines along every coordinate at once."""
    d = len(centre)
    here = evaluate(centre[None], None)
    for _ in range(24 if d else 0):  # without a standard deviation there is one point
        # Two points to either side: the near ones start from here, the far ones from beyond them.
        step, of = np.concatenate([np.diag(width), -np.diag(width)]), np.tile(np.arange(d), 2)
        free = np.maximum(centre + step, lower).sum(axis=1) != centre.sum()
        near, far = (np.maximum(centre + times * step[free], lower) for times in _LINE)
        beside = evaluate(near, here.x)
        ratio = (far - near).sum(axis=1) / (near - centre).sum(axis=1)
        beyond = evaluate(far, beside.x + ratio[:, None] * (beside.x - here.x))
        rows, modes = np.concatenate([centre[None], near, far]), here.join(beside).join(beyond)
        height, new_width = modes.log_density, width.copy()
        line_of = np.concatenate([[-1], of[free], of[free]])
        for k in range(d):
            line = (line_of == k) | (line_of == -1)
            t, first = np.unique(rows[line, k], return_index=True)
            new_width[k] = _line_width(t, height[line][first], width[k], lower[k])
        top = int(np.argmax(height))
        settled = height[top] - height[0] < 0.05
        steady = np.all(np.abs(np.log(new_width / width)) < 0.4)
        centre, width, here = rows[top], new_width, modes.take(np.array([top]))
        if settled and steady:
            break
    return centre, width, here


def _line_width(t: np.ndarray, h: np.ndarray, width: float, lower: float) -> float:
    """Sd that a line's heights speak of: where it has fallen by one half, or by curvature."""
    h = h - h.max()
    top = int(np.argmax(h))
    if t[top] != lower and top in (0, len(t) - 1):
        return 2.0 * width  # still uphill
    reach = []
    for side in (slice(top, None), slice(top, None, -1)):
        drop, far = -h[side], np.abs(t[side] - t[top])
        past = np.flatnonzero(drop > 0.5)
        if len(past) and past[0] > 0:
            j = past[0]
            # between two points the fall is taken to be a parabola's
            reach.append(far[j] * np.sqrt(0.5 / drop[j]))
        elif len(far) > 1 and t[side][-1] != lower:
            reach.append(far[-1] * 2.0)
    new = float(np.mean(reach)) if reach else width
    return float(np.clip(new, width / 8.0, width * 8.0))


def _axis(centre: float, step: float, lower: float) -> np.ndarray:
    """Positions from the centre outwards, with growing steps, down to the bound if it is near."""
    grow = step * np.cumsum(1.15 ** np.maximum(np.arange(_LONGEST) - 2, 0))
    below = centre - grow[::-1]
    if lower == 0.0:
        cells = int(np.ceil(centre / step))
        if cells <= 8:
            below = np.linspace(0.0, centre, cells + 1)[:-1]
        else:
            below = np.append(0.0, below[below > 0.25 * step])
    return np.concatenate([below, [centre], centre + grow])


def propose(cond: Conditional, lattice: Lattice, n: int, rng: np.random.Generator) -> Proposal:
    """Draw `n` times from the interpolated approximation, spread evenly over the nodes.

    The coefficients, which a few reeds may leave nearly open in one direction, get the tails of a
    Student t with `_DF` degrees of freedom, not a normal's.
    """
    d, m, heavy = len(lattice.axes), cond.m, cond.m - cond.q
    # Step 1, the standard deviations: a node by its weight, stratified so that each node gets its
    # share to within one draw, then a triangular variate off it along each coordinate. Together
    # they have the multilinear interpolation of the nodes' densities for density.
    cumulated = np.cumsum(lattice.weights)
    even = (rng.permutation(n) + rng.random(n)) / n
    node = np.minimum(np.searchsorted(cumulated, even * cumulated[-1]), len(cumulated) - 1)
    points, low, share = np.empty((n, d)), np.empty((n, d), dtype=np.int64), np.empty((n, d))
    for k, axis in enumerate(lattice.axes):
        i = lattice.index[node, k]
        left, right = _reach(axis, i)
        upward = rng.random(n) * (left + right) < right
        tent = 1.0 - np.sqrt(rng.random(n))  # density 2 (1 - t) by the inverse of its distribution
        points[:, k] = axis[i] + np.where(upward, right * tent, -left * tent)
        low[:, k] = np.where(upward, i, i - 1)
        gap = axis[low[:, k] + 1] - axis[low[:, k]]
        share[:, k] = (points[:, k] - axis[low[:, k]]) / gap
    # Step 2, (v, β): x = Σ over the 2^d corners of w (x̂ + L'⁻¹ z) with one z for all corners,
    # which is normal with mean Σ w x̂ and triangular root Σ w L'⁻¹, so that its log-determinant is
    # the sum of the logarithms of the interpolated diagonal. In β z is a Student t, a normal
    # over √(χ²/df).
    noise = rng.standard_normal((n, m))
    noise[:, m - heavy :] *= np.sqrt(_DF / rng.chisquare(_DF, (n, 1)))
    density, relative = np.zeros(n), lattice.density
    nodes, weights = [], []
    for corner in product((0, 1), repeat=d):
        weight = np.prod(np.where(corner, share, 1.0 - share), axis=1)
        at, known = _corner(lattice, low + np.array(corner))
        density += np.where(known, weight * relative[at], 0.0)
        nodes.append(at)
        weights.append(weight)
    # A node may stand in for several corners of a draw: a sparse matrix adds their weights.
    draw = np.tile(np.arange(n), len(nodes))
    mix = csc_matrix((np.concatenate(weights), (draw, np.concatenate(nodes))), (n, len(relative)))
    x, diagonal = mix @ lattice.modes.x, mix @ lattice.modes.inverse_diagonal
    step = max(1, _BATCH // m)
    for g, (begin, end) in enumerate(pairwise(mix.indptr)):
        for start in range(begin, end, step):
            part = slice(start, min(start + step, end))
            rows = mix.indices[part]
            x[rows] += mix.data[part, None] * cond.sample(lattice.modes, g, noise[rows])
    # Step 3, the proposal's log density: that of the standard deviations, the determinant, the
    # normal of v and the multivariate t of β, without constants.
    length = np.sum(noise[:, m - heavy :] ** 2, axis=1)
    log_density = (
        np.log(density)
        - np.log(np.multiply.reduceat(diagonal, np.arange(0, m, _FACTORS), axis=1)).sum(axis=1)
        - 0.5 * np.sum(noise[:, : m - heavy] ** 2, axis=1)
        - 0.5 * (_DF + heavy) * np.log1p(length / _DF)
    )
    return Proposal(points, x, log_density)


def _corner(lattice: Lattice, index: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Node of each corner and whether it was explored; else its most probable neighbour."""
    keys = lattice.keys
    at = _find(keys, _keys(index))
    known = at >= 0
    if not known.all():
        missing, back = np.unique(index[~known], axis=0, return_inverse=True)
        stand_in = np.full(len(missing), -1)
        height = np.full(len(missing), -np.inf)
        for offset in product((-1, 0, 1), repeat=index.shape[1]):
            near = _find(keys, _keys(missing + np.array(offset)))
            better = (near >= 0) & (lattice.modes.log_density[near] > height)
            stand_in[better] = near[better]
            height[better] = lattice.modes.log_density[near[better]]
        at[~known] = stand_in[back.ravel()]
    return at, known


def _reach(axis: np.ndarray, i: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Distance to the left and to the right neighbour along an axis, 0 at its ends."""
    gaps = np.concatenate([[0.0], np.diff(axis), [0.0]])
    return gaps[i], gaps[i + 1]


def _keys(index: np.ndarray) -> np.ndarray:
    """One whole number for each row of lattice places, in lexicographic order."""
    base = 2 * _LONGEST + 8
    return (index + 2) @ base ** np.arange(index.shape[1] - 1, -1, -1, dtype=np.int64)


def _find(keys: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """Place of each wanted key among ascending keys, -1 where it is missing."""
    at = np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)
    return np.where(keys[at] == wanted, at, -1)
