"""Processes and threads: many refits on some workers, and one BLAS thread while each is fitted.

A fit is thousands of short products; further threads would spin between them, and on a machine
that is busy with something else they make a fit many times slower. Refits are seeded task by task,
so that the numbers do not depend on the number of workers.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from functools import cache
from typing import Any

import numpy as np
from threadpoolctl import ThreadpoolController  # type: ignore[import-untyped]

_CHUNK = 10


def one_thread() -> AbstractContextManager[Any]:
    """Hold the BLAS libraries at one thread inside a ``with`` block."""
    limited: AbstractContextManager[Any] = _controller().limit(limits=1, user_api="blas")
    return limited


@cache
def _controller() -> ThreadpoolController:
    """Find the loaded BLAS libraries once: looking for them takes longer than a small fit."""
    import scipy.linalg  # noqa: F401, brings a BLAS of its own

    return ThreadpoolController()


def run_seeded(
    task: Callable[[np.random.SeedSequence], Any],
    n: int,
    seed: int,
    workers: int = 1,
    progress: bool = False,
    label: str = "Refitting",
    first: int = 0,
) -> list[Any]:
    """Call `task` with n seeds, in their order, on some workers.

    Call i gets the same seed of the root whatever the number of workers; more than one of them need
    a task that can be pickled. A progress bar with its label is shown on the error stream. `first`
    is the number of calls that were made before, whose results are not wanted again.
    """
    from joblib import Parallel, delayed
    from rich.console import Console
    from rich.progress import Progress

    seeds = np.random.SeedSequence(seed).spawn(n)[first:]
    chunks = [seeds[i : i + _CHUNK] for i in range(0, len(seeds), _CHUNK)]
    out: list[Any] = []
    with (
        Progress(console=Console(stderr=True), disable=not progress, transient=True) as bar,
        Parallel(n_jobs=workers, return_as="generator") as pool,
    ):
        line = bar.add_task(label, total=len(seeds))
        for found in pool(delayed(_run)(task, chunk) for chunk in chunks):
            out += found
            bar.update(line, advance=len(found))
    return out


def _run(
    task: Callable[[np.random.SeedSequence], Any], seeds: list[np.random.SeedSequence]
) -> list[Any]:
    with one_thread():
        return [task(seed) for seed in seeds]
