"""The demo bench that reedlab ships: a simulated workshop as CSV files, from a fixed seed."""

from __future__ import annotations

import contextlib
from pathlib import Path

from reedlab.paths import shipped
from reedlab.records import Bench, open_bench
from reedlab.records.store import beside
from reedlab.simulate.workshop import simulate_tables
from reedlab.simulate.world import Truth, World

LAST_DAY = "2026-10-02"
"""The last day of the demo's records, which counts as today when it is opened."""
_MADE = (12, 5, (3, 5), 700, 2.5, 2, World())
"""Seed, suppliers, lots, reeds, years, makers and world of `simulate_tables`."""
_SETTINGS = """\
# The demo's settings. Everything in this folder is invented: suppliers, makers and numbers.
format = 1
currency = "EUR"
hemisphere = "north"

# An outcome that counts as success.
success = ["good"]

[costs]
wage_per_hour = 20.0
staple_price = 3.0
# Share of failed reeds whose staple is used again.
staple_recovered = 0.8
thread_price = 0.1

# The workshop is heated between these days, every year.
[[heated]]
from = "10-15"
to = "04-10"

# What is usual from a day on; rows record only exceptions.
[[usual]]
from = 2024-04-01
staple_mm = 47
gouger = "blade 1"

[[usual]]
from = 2026-01-10
gouger = "blade 1, sharpened"
"""


def write_demo(folder: Path) -> Path:
    """Write the demo bench as CSV files and a ``bench.toml`` into a new folder, and return that."""
    if folder.is_dir():
        with contextlib.suppress(OSError):
            folder.rmdir()  # fails on anything but an empty folder
    tables, _ = simulate_tables(*_MADE)
    with beside(folder) as fresh:
        fresh.mkdir()
        for name, table in tables.items():
            rows = table.convert_dtypes()
            rows.to_csv(fresh / f"{name}.csv", index=False, lineterminator="\n")
        (fresh / "bench.toml").write_text(_SETTINGS, encoding="utf-8", newline="\n")
    return folder


def truth_of(bench: Bench) -> Truth | None:
    """Return the true effects that made a bench, if it is the demo as it is shipped, unchanged.

    They are in no file, so nothing that is worked out from the records can read them: they come
    from the seed again.
    """
    if bench.path is None:
        return None
    for kept in (shipped("data") / "demo").glob("*.csv"):
        own = bench.path / kept.name
        if not own.is_file() or own.read_bytes() != kept.read_bytes():
            return None
    return simulate_tables(*_MADE)[1]


def demo_bench() -> Bench:
    """Open the demo bench that reedlab ships, on its own last day; everything in it is invented.

    Returns
    -------
    Bench

    Examples
    --------
    >>> sorted(demo_bench().tables["lots"]["supplier"].unique())
    ['crimson', 'indigo', 'ochre', 'olive', 'slate']
    """
    return open_bench(shipped("data") / "demo", today=LAST_DAY)
