"""Draws that the processes of one report share, so that none works a posterior out again.

While `shared_in` names a folder, a posterior's draws are kept there as plain arrays, in a file
that is named by the SHA-256 of all that they depend on: the design's arrays, family, priors, seed,
number of draws, and the code that draws them. So an entry serves for the very same question and no
other, whichever process asks. Entries are read without pickle, which could run what is planted in
them; one that is damaged counts as none. The folder is private to the run and goes with it.
"""

from __future__ import annotations

import hashlib
import os
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import scipy

from reedlab.mixed.design.terms import Design
from reedlab.mixed.posterior.priors import Priors
from reedlab.mixed.posterior.sampling import Sample

FOLDER = "REEDLAB_POSTERIORS"
"""The environment variable that names the folder to a run's processes."""
_MOST_BYTES = 500_000_000
"""What a folder may hold; beyond it nothing more is kept."""
_DAMAGED = (
    OSError,
    ValueError,
    TypeError,
    KeyError,
    EOFError,
    NotImplementedError,
    zipfile.BadZipFile,
    zlib.error,
)
_ARRAYS = ("y", "X", "trials", "weights", "offset")
_PARTS = ("points", "effects", "numbers")


@contextmanager
def shared_in(folder: Path) -> Iterator[None]:
    """Keep posteriors in a folder, here and in the processes that are started meanwhile.

    It is private to the run, and need not exist.
    """
    folder.mkdir(mode=0o700, exist_ok=True)
    before = os.environ.get(FOLDER)
    os.environ[FOLDER] = str(folder)
    try:
        yield
    finally:
        del os.environ[FOLDER]
        if before is not None:
            os.environ[FOLDER] = before


def entry(design: Design, *options: Any) -> Path | None:
    """Return the file that the draws of a posterior are kept in; None where none are kept.

    `options` are what else the draws depend on: numbers, names, arrays and `Priors`.
    """
    folder = os.environ.get(FOLDER)
    if not folder:
        return None
    digest = hashlib.sha256(_code().encode())
    parts = [*(getattr(design, name) for name in _ARRAYS), design.fixed_names, design.grades]
    for term in design.terms:
        parts += [term.group, term.names, term.n_levels, term.correlated, term.index, term.basis]
    for part in (*parts, *options):
        if isinstance(part, np.ndarray):
            digest.update(f"{part.dtype.str} {part.shape}".encode())
            digest.update(np.ascontiguousarray(part).tobytes())
        elif isinstance(part, Priors):
            digest.update(repr(sorted(vars(part).items())).encode())
        else:
            digest.update(repr(part).encode())
        digest.update(b"\n")
    return Path(folder, f"{digest.hexdigest()}.npz")


def read(file: Path | None, points: int, effects: int, draws: int) -> tuple[Sample, float] | None:
    """Return what an entry holds, None where it is damaged or is not there.

    `points`, `effects` and `draws` are what the draws' arrays must measure. With the draws comes
    how fine the lattice was that they came from.
    """
    if file is None:
        return None
    try:
        with np.load(file, allow_pickle=False) as held:
            at, x, numbers = (held[name].astype(float) for name in _PARTS)
            k, share, finer = map(float, numbers)
    except _DAMAGED:
        return None
    whole = at.shape == (draws, points) and x.shape == (draws, effects)
    if not (whole and np.isfinite(at).all() and np.isfinite(x).all()):
        return None
    return Sample(at, x, k, share), finer


def keep(file: Path | None, sample: Sample, finer: float) -> None:
    """Write an entry in one step, where there is room."""
    if file is None:
        return
    # No draws are lost with an entry, so a full disk or a folder that is gone is no error.
    with suppress(OSError):
        held = sum(other.stat().st_size for other in file.parent.iterdir())
        if held + sample.effects.nbytes > _MOST_BYTES:
            return
        part = file.with_name(f"{file.stem}.{os.getpid()}.part")
        with part.open("wb") as out:
            np.savez(
                out,
                allow_pickle=False,
                points=sample.points,
                effects=sample.effects,
                numbers=np.array([sample.pareto_k, sample.effective, finer]),
            )
        part.replace(file)


@cache
def _code() -> str:
    """Mark the code that draws: of this package's models, and the versions of what they use."""
    digest = hashlib.sha256(f"{np.__version__} {scipy.__version__}".encode())
    for file in sorted(Path(__file__).resolve().parents[1].rglob("*.py")):
        digest.update(file.read_bytes())
    return digest.hexdigest()
