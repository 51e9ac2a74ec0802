"""One BLAS thread while a model is fitted.

A fit is thousands of short products; further threads would spin between them, and on a machine
that is busy with something else they make a fit many times slower.
"""

from __future__ import annotations

from contextlib import AbstractContextManager
from functools import cache
from typing import Any

from threadpoolctl import ThreadpoolController  # type: ignore[import-untyped]


def one_thread() -> AbstractContextManager[Any]:
    """Hold the BLAS libraries at one thread inside a ``with`` block."""
    limited: AbstractContextManager[Any] = _controller().limit(limits=1, user_api="blas")
    return limited


@cache
def _controller() -> ThreadpoolController:
    """Find the loaded BLAS libraries once: looking for them takes longer than a small fit."""
    return ThreadpoolController()
