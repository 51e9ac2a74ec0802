"""Make a report visible as a whole: its pages in a folder of their own, its first page last.

``index.html`` names the folder that its pages are in, and is replaced in one step once they are
there. So a run that is killed at any moment leaves the old report or the new one; what else it
leaves is removed by the next. A file that its reader changed is set aside, never removed: the
ledger holds the hash of all that reedlab wrote here.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from itertools import count
from pathlib import Path

from reedlab.errors import WriteError
from reedlab.records import store

INDEX = "index.html"
LEDGER = ".written.json"
KEPT = "kept"  # the folder of files set aside
RUN = re.compile(r"run-[0-9a-f]{12}")
PART = re.compile(r"\..+\.[0-9a-f]{8}\.part")  # as `store.beside` names what is not yet whole


@contextlib.contextmanager
def scratch(folder: Path) -> Iterator[Path]:
    """Lend an empty temporary folder for one run of a report; remove it, and those of killed runs.

    No other run writes to the report's folder meanwhile. The names of its temporary folders are
    made of its path, so no file in a bench says what is removed.
    """
    prefix = f"reedlab-{_hash(os.fsencode(folder.resolve()))[:12]}-"
    for left in Path(tempfile.gettempdir()).glob(f"{prefix}*"):
        shutil.rmtree(left, ignore_errors=True)
    with tempfile.TemporaryDirectory(prefix=prefix, ignore_cleanup_errors=True) as own:
        yield Path(own)


def publish(
    pages: Mapping[str, bytes], index: Callable[[str], bytes], folder: Path
) -> tuple[Path, ...]:
    """Replace a report by another as a whole; return the files that were set aside.

    Their reader had changed those. `index` makes the first page, given the name of the folder that
    the other `pages` will be in. Raises WriteError when a file cannot be written; the old report is
    then as it was.
    """
    run = _run_name(pages, folder)
    first = index(run)
    known, there = _known(folder), _files(folder)
    old = _hash(there[INDEX].read_bytes()) if INDEX in there else ""
    changed = INDEX in there and old not in known.get(INDEX, [])
    kept = [_set_aside(there[INDEX], folder)] if changed else []
    marks = {name: marks for name, marks in known.items() if name in there}
    marks |= {f"{run}/{name}": [_hash(content)] for name, content in pages.items()}
    # The old mark too, so that a run killed before its last step leaves nothing that looks changed.
    marks[INDEX] = [_hash(first)] if changed else [old, _hash(first)]
    store.write_text(json.dumps(marks, indent=1), folder / LEDGER, replace=True)
    if not (folder / run).exists():
        with store.beside(folder / run) as fresh:
            fresh.mkdir()
            for name, content in pages.items():
                (fresh / name).write_bytes(content)
    with store.beside(folder / INDEX, replace=True) as fresh:
        fresh.write_bytes(first)
    return (*kept, *clear(folder))


def clear(folder: Path) -> tuple[Path, ...]:
    """Remove what the first page does not use: older pages, and what killed runs left.

    Links in the folder are not followed. Returns the files that were set aside because their reader
    had changed them.
    """
    known, there = _known(folder), _files(folder)
    used = {*RUN.findall(there[INDEX].read_text("utf-8", "replace"))} if INDEX in there else set()
    if INDEX in there and not used:
        return ()  # a first page of before, whose pages are beside it
    kept = []
    for name, path in there.items():
        top = name.partition("/")[0]
        with contextlib.suppress(OSError, WriteError):  # what is open elsewhere: another time
            if PART.fullmatch(top) or PART.fullmatch(path.name):
                path.unlink()
            elif top not in used | {INDEX, KEPT} and (name in known or RUN.fullmatch(top)):
                if _hash(path.read_bytes()) not in known.get(name, []):
                    kept.append(_set_aside(path, folder))
                path.unlink()
    for below, _, _ in os.walk(folder, topdown=False):
        top = (*Path(below).relative_to(folder).parts, "")[0]
        if top not in used and (RUN.fullmatch(top) or PART.fullmatch(top)):
            with contextlib.suppress(OSError):  # not empty
                Path(below).rmdir()
    return tuple(kept)


def _files(folder: Path) -> dict[str, Path]:
    """Return every file below a folder by its name from there; links are neither read nor kept."""
    found = [Path(here, name) for here, _, names in os.walk(folder) for name in names]
    files = [path for path in found if path.is_file() and not path.is_symlink()]
    return {path.relative_to(folder).as_posix(): path for path in sorted(files)}


def _run_name(pages: Mapping[str, bytes], folder: Path) -> str:
    """Name a run by what it holds; a folder of that name, if any, holds just that."""
    content = "".join(f"{name} {_hash(page)}\n" for name, page in sorted(pages.items()))
    marks = (_hash(f"{number}\n{content}".encode())[:12] for number in count())
    names = (f"run-{mark}" for mark in marks)
    return next(name for name in names if _holds(folder / name, pages))


def _holds(run: Path, pages: Mapping[str, bytes]) -> bool:
    """Whether a run's folder is free, or holds these pages and nothing else."""
    if not os.path.lexists(run):
        return True
    there = _files(run)
    return there.keys() == pages.keys() and all(
        there[name].read_bytes() == page for name, page in pages.items()
    )


def _known(folder: Path) -> dict[str, list[str]]:
    """Read the ledger; where it is damaged nothing is known, so that all is kept."""
    try:
        known = json.loads((folder / LEDGER).read_text("utf-8"))
    except (OSError, ValueError, RecursionError):
        known = {}
    known = known if isinstance(known, dict) else {}
    return {name: marks for name, marks in known.items() if isinstance(marks, list)}


def _hash(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _set_aside(path: Path, folder: Path) -> Path:
    """Copy a file to the first free name of the kind ``kept/index-1.html``, and return it."""
    content = path.read_bytes()
    for number in count(1):
        kept = folder / KEPT / f"{path.stem}-{number}{path.suffix}"
        if not os.path.lexists(kept):
            with store.beside(kept) as fresh:
                fresh.write_bytes(content)
            break
        if kept.is_file() and kept.read_bytes() == content:  # set aside by a run that was killed
            break
    return kept
