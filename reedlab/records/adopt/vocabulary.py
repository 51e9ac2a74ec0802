"""The headings and words that makers use, and what they mean: ``vocabulary.toml``, read once."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from reedlab.records.tables import TABLES, UNIT_SPELLINGS

_FILE = Path(__file__).with_name("vocabulary.toml")
_DENSITY = re.compile(r"\bg/(cm[3³]|ml|cc)\s*$")
_BRACKETED = re.compile(r"[(\[{][^)\]}]*[)\]}]")
_UNITS = {spelling for spellings in UNIT_SPELLINGS.values() for spelling in spellings} | {
    *("cm", "h", "std", "mg", "eur", "euro", "usd", "chf", "gbp", "€", "$")
}
_UMLAUTS = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "°": " ", "#": " nr "})


def plain(text: str) -> str:
    """Return a heading or word without case, accents, punctuation, brackets and unit.

    >>> plain("Bindelänge (mm):"), plain("Gebunden  am"), plain("Rough min."), plain("Dichte g/cm3")
    ('bindelaenge', 'gebunden am', 'rough', 'dichte')
    """
    folded = unicodedata.normalize("NFC", text).casefold().translate(_UMLAUTS)
    folded = _DENSITY.sub(" ", folded)
    folded = unicodedata.normalize("NFKD", _BRACKETED.sub(" ", folded))
    bare = "".join(c for c in folded if not unicodedata.combining(c))
    words = re.sub(r"[^\w€$%✓✔]+|_", " ", bare).split()
    while len(words) > 1 and words[-1] in _UNITS:
        words.pop()
    # A dash alone is a word of its own in a cell.
    return " ".join(words) or text.strip()


@dataclass(frozen=True)
class Either:
    """A heading with several meanings."""

    means: tuple[str, ...]  # the columns it may be
    # ``"date"`` where the first of them is the guess if no other column of its sheet holds days;
    # ``"fit"`` where it is the one that its cells are like, if there is only one
    only: str = ""


@dataclass(frozen=True)
class Vocabulary:
    """What headings and words mean, by their plain form."""

    tables: Mapping[str, str]  # names of files and sheets, and the table they hold
    columns: Mapping[str, str]  # headings that mean one column
    either: Mapping[str, Either]  # headings that may mean several
    filled: Mapping[str, str]  # headings under which any entry means an outcome
    words: Mapping[str, Mapping[str, str]]  # for each column, words and what they mean

    def knows(self, heading: str) -> bool:
        """Say whether a heading is known, with one meaning or several."""
        key = plain(heading)
        return key in self.columns or key in self.either or key in self.filled


@cache
def vocabulary() -> Vocabulary:
    """Return the vocabulary; a column's own name is always one of its headings."""
    given = tomllib.loads(_FILE.read_text("utf-8"))
    names = {name for table in TABLES.values() for name in table.columns}
    own = {plain(name.replace("_", " ")): name for name in sorted(names, key=len, reverse=True)}
    either = {
        plain(text): Either(tuple(entry["means"]), entry.get("only", ""))
        for entry in given["either"]
        for text in _texts(entry)
    }
    columns = {key: name for key, name in own.items() if key not in either}
    return Vocabulary(
        tables={name: name for name in TABLES} | _meanings(given["tables"]),
        columns=columns | _meanings(given["columns"]),
        either=either,
        filled=_meanings(given["filled"]),
        words={column: _meanings(words) for column, words in given["words"].items()},
    )


def _meanings(section: Mapping[str, Mapping[str, Any]]) -> dict[str, str]:
    """Turn a section, meanings with their words by language, into words with their meaning."""
    return {plain(text): meaning for meaning, entry in section.items() for text in _texts(entry)}


def _texts(entry: Mapping[str, Any]) -> list[str]:
    """Return the words of an entry in every language: its keys of two letters."""
    return [text for key, texts in entry.items() if len(key) == 2 for text in texts]
