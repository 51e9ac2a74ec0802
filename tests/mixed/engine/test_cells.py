"""Sums over cells against Z written out row by row."""

from __future__ import annotations

import numpy as np
import pytest

from reedlab.mixed.design.terms import Design, RandomTerm
from reedlab.mixed.engine.cells import cells_of


@pytest.mark.parametrize("lots", [12, 600], ids=["many rows a cell", "hardly any"])
@pytest.mark.parametrize("slopes", [False, True])
def test_products_with_z(lots: int, slopes: bool) -> None:
    rng, n = np.random.default_rng(lots), 500
    lot, maker = rng.integers(lots, size=n), rng.integers(3, size=n)
    x, one = rng.normal(size=n), np.ones(n)
    basis = np.column_stack([one, x]) if slopes else one[:, None]
    terms = tuple(
        RandomTerm(name, tuple(map(str, range(levels))), index, ("a", "b")[: own.shape[1]], own)
        for name, index, levels, own in (
            ("supplier", lot % 4, 4, basis),
            ("lot", lot, lots + 1, basis),  # one level has no rows
            ("maker", maker, 3, one[:, None]),
        )
    )
    design = Design(rng.normal(size=n), np.column_stack([one, x]), ("Intercept", "x"), terms)
    cells = cells_of(design)
    Z = []
    for term in terms:
        own = np.zeros((n, term.n_levels, term.k))
        own[np.arange(n), term.index] = term.basis
        Z.append(own.reshape(n, -1)[cells.order])
    np.testing.assert_array_equal(np.sort(cells.order), np.arange(n))
    np.testing.assert_array_equal(cells.XT, design.X[cells.order].T)
    rows, u = rng.normal(size=n), [rng.normal(size=(term.n_levels, term.k)) for term in terms]
    eta = sum(own @ effects.ravel() for own, effects in zip(Z, u))
    np.testing.assert_allclose(cells.expand(u), eta, atol=1e-12)
    for own, projected in zip(Z, cells.project(rows)):
        np.testing.assert_allclose(projected.ravel(), own.T @ rows, atol=1e-11)


def test_rows_are_sorted_once_a_design(random_design) -> None:
    design = random_design(np.random.default_rng(1), "gaussian")
    assert cells_of(design) is cells_of(design)
