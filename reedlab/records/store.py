"""Atomic writes, a file lock, and CSV that no spreadsheet runs as formulas.

A file is written under a temporary name and renamed, so that after a power cut its name has the old
content or the new, never a part. Nothing is replaced unless the caller says so.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
import sys
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from reedlab.errors import WriteError

if TYPE_CHECKING:
    from openpyxl import Workbook

FORMULA = ("=", "+", "-", "@", "\t", "\r")


@contextlib.contextmanager
def beside(path: Path | str, *, replace: bool = False) -> Iterator[Path]:
    """Write atomically: yield a temporary name beside `path`, and rename it at the end.

    Parameters
    ----------
    path : path
        The file or folder to write; its parent folders are made.
    replace : bool, default False
        Whether a file of that name may be replaced.

    Yields
    ------
    pathlib.Path
        Where to write. If the block raises, it is removed and `path` stays as it was.

    Raises
    ------
    WriteError
        When `path` exists and may not be replaced, or cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with beside(Path(folder) / "note.txt") as fresh:
    ...         _ = fresh.write_text("done")
    ...     [found.name for found in Path(folder).iterdir()]
    ['note.txt']
    """
    path = Path(path)
    if not replace and os.path.lexists(path):
        raise WriteError(f"{path} exists already: choose another name, or move it away.")
    if above := next((p for p in path.parents if p.is_file()), None):
        raise WriteError(f"{path} cannot be written: {above} is a file, and a folder is needed.")
    # A random name, so that two runs at once do not write to the same file.
    fresh = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            yield fresh
            _to_disk(fresh)
            if replace:
                fresh.replace(path)
            else:
                _name_new(fresh, path)
        finally:
            if fresh.is_dir():
                shutil.rmtree(fresh)
            fresh.unlink(missing_ok=True)
    except OSError as error:
        raise WriteError(
            f"{path} cannot be written ({error.strerror or error}): choose another folder."
        ) from error


def write_text(text: str, path: Path | str, *, replace: bool = False) -> Path:
    """Write text as UTF-8, atomically, and return the path."""
    with beside(path, replace=replace) as fresh:
        fresh.write_bytes(text.encode("utf-8"))
    return Path(path)


def write_table(frame: pd.DataFrame, path: Path | str, *, replace: bool = False) -> Path:
    """Write a frame as CSV that every spreadsheet opens, atomically; return its path.

    UTF-8 with a byte order mark, commas, decimal points, ISO dates, no index. Text that a
    spreadsheet would run as a formula is protected. Raises WriteError when the file exists and may
    not be replaced, or cannot be written.
    """
    safe = protected(frame)
    with beside(path, replace=replace) as fresh:
        safe.to_csv(fresh, index=False, encoding="utf-8-sig", lineterminator="\r\n")
    return Path(path)


def save_workbook(book: Workbook, path: Path | str) -> Path:
    """Write a workbook that is new, whole or not at all, and return where it lies.

    Packed in memory first: an archive that a full disk cut short fails once more when Python lets
    go of it.
    """
    packed = BytesIO()
    with beside(path) as fresh:
        book.save(packed)
        fresh.write_bytes(packed.getvalue())
    return Path(path)


def protected(frame: pd.DataFrame) -> pd.DataFrame:
    """Put an apostrophe before text that a spreadsheet would run as a formula.

    References
    ----------
    OWASP, CSV Injection: text beginning with = + - @, tab or return.

    Examples
    --------
    >>> protected(pd.DataFrame({"note": ["=1+1", "fine"], "mm": [-1.0, 2.0]}))["note"].tolist()
    ["'=1+1", 'fine']
    """
    safe = frame.copy()
    for at, dtype in enumerate(frame.dtypes):
        if not pd.api.types.is_numeric_dtype(dtype):
            column = frame.iloc[:, at]
            safe.isetitem(at, column.astype(object).map(safe_text, na_action="ignore"))
    safe.columns = [safe_text(name) for name in frame.columns]
    return safe


def safe_text(value: object) -> object:
    """Return a text, with an apostrophe before it if it would run as a formula."""
    return f"'{value}" if isinstance(value, str) and value.startswith(FORMULA) else value


@contextlib.contextmanager
def alone_in(folder: Path) -> Iterator[None]:
    """Lock a folder, so that no second run writes to it.

    The operating system holds the lock, and releases it when a run is killed.

    Raises
    ------
    WriteError
        When another run is writing there, or the folder cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        taken = next((p for p in (folder, *folder.parents) if p.is_file()), None)
        raise WriteError(
            f"{taken} is a file, and a folder is needed: move it away."
            if taken
            else f"{folder} cannot be made ({error.strerror}): choose another folder."
        ) from error
    with (folder / ".reedlab-lock").open("a+b") as lock:
        try:
            if sys.platform == "win32":
                import msvcrt

                msvcrt.locking(lock.fileno(), msvcrt.LK_NBLCK, 1)
            else:
                import fcntl

                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise WriteError(
                f"another run of reedlab is writing to {folder}: wait until it has finished."
            ) from error
        yield


def _to_disk(path: Path) -> None:
    """Flush a file, or those of a folder, to disk before it gets its final name."""
    for file in (path, *path.rglob("*")):
        if file.is_file():
            with file.open("rb+") as written:
                os.fsync(written.fileno())


def _name_new(fresh: Path, path: Path) -> None:
    """Rename without replacing: a hard link fails if the name was taken meanwhile."""
    if fresh.is_dir():
        fresh.rename(path)
        return
    try:
        os.link(fresh, path)
    except FileExistsError as error:
        raise WriteError(f"{path} exists already: choose another name, or move it away.") from error
    except OSError:  # a file system without hard links, such as a memory stick's
        if os.path.lexists(path):
            raise WriteError(
                f"{path} exists already: choose another name, or move it away."
            ) from None
        fresh.rename(path)
