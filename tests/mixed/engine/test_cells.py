"""Sums over cells against look-ups row by row, in every shape that cells take."""

from __future__ import annotations

import numpy as np
import pytest

from reedlab.mixed.engine.cells import build_cells

SHAPES = {"rectangle": (12, 3), "scattered": (600, 500)}
"""Lots and makers: every pair occurs, or hardly any."""


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("crossed", [0, 1, 2])
@pytest.mark.parametrize("slopes", [False, True])
@pytest.mark.parametrize("n", [300, 30_000])
def test_sums_and_look_ups(shape: str, crossed: int, slopes: bool, n: int) -> None:
    rng = np.random.default_rng(crossed)
    lots, makers = SHAPES[shape]
    lot, maker = rng.integers(lots, size=n), rng.integers(makers, size=n)
    # lots are dealt to suppliers in turn, so that suppliers are not in the order of lots
    index = (lot % 4, lot, maker, rng.integers(2, size=n))[: 2 + crossed]
    n_levels = (4, lots + 1, makers + 1, 2)[: 2 + crossed]  # some levels have no rows
    one, x = np.ones(n), rng.normal(size=n)
    basis = tuple(
        np.column_stack([one, x] if slopes and t < 2 else [one]) for t in range(len(index))
    )
    X = np.column_stack([one, rng.normal(size=n)])
    cells = build_cells(index, n_levels, basis, X)
    assert len(cells.shape) == (2 if shape == "rectangle" or crossed == 0 else 1)
    np.testing.assert_array_equal(np.sort(cells.order), np.arange(n))
    np.testing.assert_array_equal(cells.XT, X[cells.order].T)
    rows = rng.normal(size=n)
    u = [rng.normal(size=(levels, b.shape[1])) for levels, b in zip(n_levels, basis)]
    eta = sum((b * effect[i]).sum(axis=1) for i, b, effect in zip(index, basis, u))
    np.testing.assert_allclose(cells.expand(u), eta[cells.order], atol=1e-12)
    for t, z_rows in enumerate(cells.project(rows[cells.order])):
        for k in range(basis[t].shape[1]):
            expected = np.bincount(index[t], rows * basis[t][:, k], n_levels[t])
            np.testing.assert_allclose(z_rows[:, k], expected, atol=1e-9)
    moments = cells.sums(rows[cells.order])
    for t in range(len(index)):
        for s in range(len(index)):
            if t != s:
                expected = np.zeros((n_levels[t], n_levels[s]))
                np.add.at(expected, (index[t], index[s]), rows)
                np.testing.assert_allclose(cells.by_pair(t, s, moments), expected, atol=1e-9)
                matrix = rng.normal(size=expected.shape)
                at = np.broadcast_to(cells.at_pair(t, s, matrix), cells.shape)
                np.testing.assert_array_equal(
                    cells.spread(at), matrix[index[t], index[s]][cells.order]
                )
