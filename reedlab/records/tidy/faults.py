"""What was wrong with a reed, from free words to one of the list."""

from __future__ import annotations

import re
from collections.abc import Mapping

from reedlab.records.tables import FAULT_WORDS

_BEGINNINGS = {word: fault for fault, words in FAULT_WORDS.items() for word in (fault, *words)}
# Of two that begin at one place the longer counts: "tiefe Töne" is not "tief".
_KNOWN = re.compile(rf"\b(?:{'|'.join(sorted(map(re.escape, _BEGINNINGS), key=len)[::-1])})")


def main_fault(cell: str, own: Mapping[str, str] | None = None) -> str:
    """Return the first fault that a cell names as a word of `FAULTS`, else ``"other"``.

    `own` are the maker's words, from ``[words.fault]`` in ``bench.toml``.

    >>> main_fault("Leaks at the sides; flat"), main_fault("dead on the third day")
    ('leaks', 'dull')
    >>> main_fault("quakes"), main_fault("Quakes", {"quakes": "unsteady"})
    ('other', 'unsteady')
    """
    text = " ".join(cell.casefold().split()).replace("opening", "tip")  # a part, not a fault
    mine = {word.casefold(): fault for word, fault in (own or {}).items()}
    for part in re.split(r"\s*[;,]\s*", text):
        if part in mine:
            return mine[part]
        if found := _KNOWN.search(part):
            return _BEGINNINGS[found.group()]
    return "other"
