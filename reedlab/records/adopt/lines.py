"""A line of ``bench.toml``: what one heading, word or sheet of the maker's means, or a question."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import pandas as pd

from reedlab.records.settings import OPEN

Path = tuple[str, ...]
Value = str | int


@dataclass(frozen=True)
class Choice:
    """One answer to a question: what is written, and what it means in words."""

    value: str
    says: str

    @property
    def text(self) -> str:
        """The answer in words."""
        words = self.value.replace("_", " ")
        return self.says if words in ("", self.says) else f"{words}: {self.says}"


@dataclass(frozen=True)
class Line:
    """One line of ``bench.toml``."""

    path: Path  # its section and its key, such as ``("words", "outcome", "naja")``
    value: Value  # what it means; `OPEN` while that is not decided
    why: str = ""  # the comment behind it: how often it is there, and why it was guessed
    question: str = ""  # what to ask while it is open; empty for a line that no reed waits for
    choices: tuple[Choice, ...] = ()  # the answers
    keeps_out: float = 0  # how many reeds cannot be used before it is answered

    @property
    def open(self) -> bool:
        """Whether it is not decided."""
        return self.value == OPEN


def as_frame(lines: Iterable[Line]) -> pd.DataFrame:
    """Return lines as a frame: where (section), yours (her word), means, and why."""
    rows = [(".".join(line.path[:-1]), line.path[-1], str(line.value), line.why) for line in lines]
    return pd.DataFrame(rows, columns=["section", "yours", "means", "why"], dtype="str")
