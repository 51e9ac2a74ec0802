"""One BLAS thread while a model is fitted; every core for what is long enough to share out.

A fit is thousands of short products; further threads of BLAS would spin between them, and on a
machine that is busy with something else they make a fit many times slower. Work on a million
numbers is dealt out to Python's threads instead, which sleep while they have nothing to do: NumPy
lets the others run meanwhile.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager
from functools import cache
from itertools import pairwise
from typing import Any, TypeVar

from threadpoolctl import ThreadpoolController  # type: ignore[import-untyped]

_MANY = 200_000
"""Numbers from which a second thread pays."""

_PARTS = 4
"""Into how many parts long work is cut, on however many threads: so the sums are the same."""

T = TypeVar("T")
R = TypeVar("R")


def one_thread() -> AbstractContextManager[Any]:
    """Hold the BLAS libraries at one thread inside a ``with`` block."""
    limited: AbstractContextManager[Any] = _controller().limit(limits=1, user_api="blas")
    return limited


def shared_out(function: Callable[[T], R], items: Iterable[T], numbers: int) -> list[R]:
    """Call a function with each item, on several threads where there are many numbers in all.

    As many threads as ``OMP_NUM_THREADS`` says, which parallel workers set for what they run, or
    else as there are cores. Work that is shared out already is not shared out again.
    """
    threads = 1
    if numbers >= _MANY and threading.current_thread() is threading.main_thread():
        threads = _cores()
    if threads == 1:
        return [function(item) for item in items]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(function, items))


def parts_of(length: int, numbers: int) -> list[slice]:
    """Cut 0, ..., length - 1 into parts to share out; one part where there are few numbers."""
    if numbers < _MANY:
        return [slice(0, length)]
    ends = [length * i // _PARTS for i in range(_PARTS + 1)]
    return [slice(a, b) for a, b in pairwise(ends)]


@cache
def _cores() -> int:
    """Threads that this process may use."""
    from joblib import cpu_count

    named = os.environ.get("OMP_NUM_THREADS", "")
    return int(named) if named.isdigit() and int(named) else int(cpu_count())


@cache
def _controller() -> ThreadpoolController:
    """Find the loaded BLAS libraries once: looking for them takes longer than a small fit."""
    return ThreadpoolController()
