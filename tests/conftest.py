"""What every test process needs: one BLAS thread, ports of its own, posteriors, and a browser.

Several processes run beside each other. Kernels that two of them start at once may be given the
same free port, and the later one dies; so each takes its ports from a range of its own, below those
that the system hands out.

The processes of one run share the posteriors that they draw, as those of a report do: notebooks,
examples and tests ask the demo the same. Tests of the posterior itself do not (tests/mixed).
"""

import os
import shutil
import socket
import tempfile
from collections.abc import Iterator
from itertools import count

import pytest
from jupyter_client.connect import LocalPortCache
from playwright.sync_api import Browser, sync_playwright
from threadpoolctl import threadpool_limits

from reedlab.mixed.posterior import kept

os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", MKL_NUM_THREADS="1")
threadpool_limits(limits=1)
if kept.FOLDER not in os.environ:  # the first process makes it, and takes it away at its end
    _posteriors = tempfile.TemporaryDirectory(prefix="reedlab-tests-")
    os.environ[kept.FOLDER] = _posteriors.name

_PORTS = 1000
_first = 12_000 + _PORTS * (int(os.environ.get("PYTEST_XDIST_WORKER", "gw0")[2:]) % 20)
_tries = count(7 * os.getpid())


def _own_port(cache: LocalPortCache, ip: str) -> int:
    while True:
        port = _first + next(_tries) % _PORTS
        with socket.socket() as trial:
            if port not in cache.currently_used_ports and trial.connect_ex((ip, port)):
                cache.currently_used_ports.add(port)
                return port


LocalPortCache.find_available_port = _own_port


_FIRST = (
    "test_damage.py", "test_wheel.py", "test_calibration.py", "test_how_often_true.py",
    "test_ending.py", "test_isolation.py", "test_rules.py", "test_young_benches.py",
    "test_missing.py", "test_names.py",
)  # fmt: skip
"""Files that take longest: begun last, one of them would keep the other processes waiting."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest files first, then the notebooks; the processes take files in this order."""

    def place(item: pytest.Item) -> int:
        if item.path.name in _FIRST:
            return _FIRST.index(item.path.name)
        return len(_FIRST) + (item.path.suffix != ".ipynb")

    items.sort(key=place)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Start the system's Chromium; without one skip, but never where CI is set.

    It ends with its file: while it is open an event loop runs, beside which no kernel can be run.
    """
    names = ("chromium", "chromium-browser", "google-chrome")
    command = next(filter(None, map(shutil.which, names)), None)
    if command is None and os.environ.get("CI"):
        pytest.fail("no Chromium: pages must be opened in CI")
    if command is None:
        pytest.skip("no Chromium here: install it to have the pages opened")
    with sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=command, args=["--no-sandbox"])
        yield opened
        opened.close()
