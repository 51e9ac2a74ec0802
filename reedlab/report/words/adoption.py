"""Sentences about a sheet that is being adopted: what was found, what is asked, what is left."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from reedlab.records.adopt.adopting import Draft
from reedlab.records.adopt.lines import Line

_SIGNS = {
    "a_price": "a price",
    "a_name": "a name",
    "when_old_and_empty": "nothing, after a while",
}
_MOST_WORDS = 40
"""Of one column; bench.toml has all of them."""


def opening_lines(draft: Draft) -> list[str]:
    """Say what each sheet holds, before anything is asked."""
    said = [f"Left out: {reason}" for reason in draft.left_out]
    holds = {line.path[1:]: line for line in draft.lines if line.path[0] == "files"}
    for part in draft.parts:
        line = holds[(str(part.file), *([part.sheet] if part.sheet else []))]
        what = "not clear yet" if line.open else line.value or "not read"
        said.append(f"{part.place}: {len(part.body):,} rows, {what}.")
    return [*said, *_outcomes(draft)]


def _outcomes(draft: Draft) -> list[str]:
    """Say which of her words, columns and signs are read as which outcome."""
    read_as: dict[str, list[str]] = defaultdict(list)
    for line in draft.lines:
        section, word, value = line.path[:-1], line.path[-1], str(line.value)
        if line.open or not value:
            continue
        if section == ("words", "outcome"):
            read_as[value].append(word)
        elif section == ("outcome", "filled"):
            read_as[value].append(f"anything under {word!r}")
        elif section == ("outcome",) and word in _SIGNS:
            read_as[value].append(_SIGNS[word])
    return [f"  {outcome.replace('_', ' ')}: {', '.join(w)}" for outcome, w in read_as.items()]


def question_text(line: Line, number: int) -> str:
    """Write a question with its numbered answers."""
    answers = "\n".join(f"  {at}  {choice.text}" for at, choice in enumerate(line.choices, start=1))
    return f"\n{number}. {line.question}\n{answers}"


def closing_lines(draft: Draft) -> list[str]:
    """Say what is decided, and list what is open, once."""
    still = [line for line in draft.lines if line.open]
    decided = len(draft.lines) - len(still)
    said = [f"\n{draft.folder} is a bench now: {decided} lines of its bench.toml are decided."]
    if still:
        said.append(f'Open, with a "?" in {draft.folder / "bench.toml"}:')
        said += [f"  {text}" for text in _open_lines(still)]
    return said


def _open_lines(still: Sequence[Line]) -> list[str]:
    """Write the open words of one column on one line, and every other open line on its own."""
    groups: dict[tuple[str, ...], list[Line]] = defaultdict(list)
    for line in still:
        groups[line.path[:-1]].append(line)
    said = []
    for section, lines in groups.items():
        if section[:1] == ("words",):
            words = ", ".join(f"{x.path[-1]} {_count(x)}" for x in lines[:_MOST_WORDS])
            words += f" and {len(lines) - _MOST_WORDS:,} more" if lines[_MOST_WORDS:] else ""
            meanings = ", ".join(choice.value for choice in lines[0].choices)
            said.append(f"{section[1]}: {words}: which of {meanings}?")
        else:
            said += [
                line.question if section == ("outcome",) else f"{line.path[-1]}: {line.why}"
                for line in lines
            ]
    return said


def _count(line: Line) -> str:
    """Return how often a word is there, from the comment behind it."""
    return line.why.partition(":")[0].removesuffix(" times").replace("once", "1")
