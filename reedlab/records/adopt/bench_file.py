"""A ``bench.toml`` as text: lines are added to it, and none that is answered is changed."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from pathlib import Path as FilePath
from typing import Any

from reedlab.errors import RecordError
from reedlab.records.adopt.lines import Line, Path, Value
from reedlab.records.settings import FILE, OPEN

_COMMENT_AT = 38
_BARE = re.compile(r"[a-z_]+")

START = f"""\
# What your sheet means. reedlab only reads it: it never changes a sheet of yours.
#
# Every line has your word on the left and its meaning on the right. A {json.dumps(OPEN)} is not
# decided yet: replace it by one of the words behind the #. An empty text "" means: leave it alone.
# You may change any line. `reedlab adopt`, run on this folder again, keeps your lines and adds
# what is new in your sheet.
#
# Costs, your usual set-up, heating: see the file that `reedlab new` writes into an empty folder.
format = 1
"""

_ABOUT: Mapping[str, str] = {
    "files": "Your sheets, named from this folder, and the table that each holds.",
    "columns": "Your headings, and the columns that they mean.",
    "words": "Your words, and what they mean.",
    "outcome": "What says how a reed turned out where no word does.",
    "costs": "What your prices are in.",
}


def read_answers(text: str) -> dict[Path, Value]:
    """Return what a ``bench.toml`` says of sheets, headings and words; open lines say nothing."""
    given = tomllib.loads(text)
    kept = {name: given[name] for name in ("date_order", *_ABOUT) if name in given}
    return {path: value for path, value in _flat(kept, ()) if value != OPEN}


def read_files(text: str) -> list[str]:
    """Return the files that a ``bench.toml`` names, decided or not."""
    files = tomllib.loads(text).get("files", {})
    return [*files] if isinstance(files, dict) else []


def _flat(given: Mapping[str, Any], above: Path) -> Iterator[tuple[Path, Value]]:
    for name, value in given.items():
        if isinstance(value, dict):
            yield from _flat(value, (*above, name))
        elif isinstance(value, (str, int)):
            yield (*above, name), value


def with_lines(text: str, lines: Sequence[Line]) -> str:
    """Return a ``bench.toml`` with lines added: each at the end of its section.

    A line that is there already stays as it is, unless it is open.
    """
    line_end = "\r\n" if "\r\n" in text else "\n"
    there = text.replace("\r\n", "\n").split("\n")
    entries = {path: at for path, (at, _) in _entries(there).items()}
    known = {path for path, _ in _flat(tomllib.loads(text), ())}
    fresh = []
    for line in lines:
        if line.path not in known:
            fresh.append(line)
        elif (at := entries.get(line.path)) is not None and _value(there[at]) == OPEN:
            there[at] = _written(line)
    for section, group in groupby(sorted(fresh, key=_section_order), key=lambda x: x.path[:-1]):
        _insert(there, section, [_written(line) for line in group])
    text = line_end.join(there).rstrip("\r\n") + line_end
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RecordError(
            f"{FILE} has a section that no lines can be added to ({error}): write each section "
            "under a heading of its own, as `reedlab adopt` does."
        ) from error
    return text


def _section_order(line: Line) -> tuple[int, Path]:
    order = ["", *_ABOUT]
    return order.index(line.path[0] if len(line.path) > 1 else ""), line.path[:-1]


def _insert(there: list[str], section: Path, fresh: list[str]) -> None:
    """Put lines at the end of a section, which is made if it is not there."""
    inside = [at for at, above in _entries(there).values() if above == section]
    headers = [at for at, path in _headers(there) if path == section]
    if inside or headers:
        at = max([*inside, *headers]) + 1
        there[at:at] = fresh
        return
    if not section:  # above all sections, and the comment of the first
        at = next((at for at, _ in _headers(there)), len(there))
        while at and there[at - 1].startswith("#"):
            at -= 1
        there[at:at] = fresh
        return
    while there and not there[-1].strip():
        there.pop()
    kind = section[0]
    about = f"# {_ABOUT[kind]}" if not any(p[0] == kind for _, p in _headers(there)) else None
    name = ".".join(part if _BARE.fullmatch(part) else _quoted(part) for part in section)
    there += ["", *([about] if about else []), f"[{name}]", *fresh]


def _entries(there: Sequence[str]) -> dict[Path, tuple[int, Path]]:
    """Return where each entry is that is written on one line, and the heading it is under."""
    headers = dict(_headers(there))
    section: Path = ()
    found: dict[Path, tuple[int, Path]] = {}
    for at, text in enumerate(there):
        if at in headers:
            section = headers[at]
        elif "=" in text and (given := _parsed(text)):
            for path, _ in _flat(given, ()):
                found.setdefault((*section, *path), (at, section))
    return found


def _headers(there: Sequence[str]) -> list[tuple[int, Path]]:
    """Return where each section begins."""
    found = []
    for at, text in enumerate(there):
        if text.lstrip().startswith("[") and (given := _parsed(text)):
            path: Path = ()
            while isinstance(given, dict) and given:
                ((name, given),) = given.items()
                path = (*path, name)
            found.append((at, path))
    return found


def _parsed(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except ValueError:
        return {}


def _value(text: str) -> object:
    return next((value for _, value in _flat(_parsed(text), ())), None)


def _written(line: Line) -> str:
    """Return a line as TOML, with its comment."""
    value = _quoted(line.value) if isinstance(line.value, str) else str(line.value)
    *section, key = line.path
    ours = section in (
        [],
        ["outcome"],
        ["costs"],
    )  # the keys of every other section are the maker's words
    entry = f"{key if ours else _quoted(key)} = {value}"
    why = "".join(c if c.isprintable() else " " for c in line.why)
    return f"{entry:<{_COMMENT_AT}}  # {why}" if why else entry


def _quoted(text: str) -> str:
    kept = json.dumps(text, ensure_ascii=False)
    return "".join(c if c.isprintable() else f"\\U{ord(c):08x}" for c in kept)


def read_text(folder: FilePath) -> str:
    """Return the text of a folder's ``bench.toml``."""
    return (folder / FILE).read_bytes().decode("utf-8-sig")
