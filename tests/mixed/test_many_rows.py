"""Work on very many rows is dealt out to threads; the numbers must not hang on how many."""

from __future__ import annotations

from threading import get_ident

import numpy as np
import pytest

from reedlab.mixed import threads
from reedlab.mixed.fitted import fit_design


@pytest.mark.parametrize("family", ["binomial", "ordinal"])
def test_threads_do_not_move_a_fit(random_design, monkeypatch, family: str) -> None:
    found = {}
    for cores in (1, 2, 3):
        design = random_design(np.random.default_rng(5), family)
        monkeypatch.setattr(threads, "_MANY", 1)  # very many, for the test
        monkeypatch.setattr(threads, "_cores", lambda cores=cores: cores)
        fit = fit_design(design, family)
        found[cores] = (fit.llf, *fit.theta, *fit.beta, *fit.cov_fixed.ravel())
    assert found[1] == found[2] == found[3]
    monkeypatch.setattr(threads, "_MANY", 10**9)
    plain = fit_design(random_design(np.random.default_rng(5), family), family)
    assert found[1][0] == pytest.approx(plain.llf, abs=1e-8)


def test_work_shared_out_is_not_shared_out_again(monkeypatch) -> None:
    monkeypatch.setattr(threads, "_cores", lambda: 2)

    def names(_: int) -> set[int]:
        return set(threads.shared_out(lambda _: get_ident(), range(8), 10**9))

    for inside in threads.shared_out(names, range(4), 10**9):
        assert len(inside) == 1
        assert get_ident() not in inside
