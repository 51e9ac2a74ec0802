"""The file of headings and words: each with one meaning, and each meaning one that there is."""

import tomllib
from pathlib import Path

import pytest

import reedlab.records.adopt as room
from reedlab.records.adopt.vocabulary import plain, vocabulary
from reedlab.records.settings import vocabularies
from reedlab.records.tables import OUTCOMES, SHEETS, TABLES

GIVEN = tomllib.loads((Path(room.__file__).parent / "vocabulary.toml").read_text("utf-8"))
COLUMNS = {name for table in SHEETS.values() for name in table.columns}
LATER = {"tied_count", "pending_count"}  # columns of rows that are a whole batch


def entries(section):
    """Return the words of a section, with the meaning of each."""
    return [
        (plain(text), meaning)
        for meaning, entry in section.items()
        for language, texts in entry.items()
        if len(language) == 2
        for text in texts
    ]


@pytest.mark.parametrize(
    "section",
    [GIVEN["tables"], GIVEN["columns"], GIVEN["filled"], *GIVEN["words"].values()],
)
def test_a_word_has_one_meaning(section):
    meanings = {}
    for text, meaning in entries(section):
        meanings.setdefault(text, set()).add(meaning)
    assert {text: m for text, m in meanings.items() if len(m) > 1} == {}


def test_a_heading_is_in_one_section():
    each = [
        {plain(text) for language, texts in entry.items() if len(language) == 2 for text in texts}
        for entry in GIVEN["either"]
    ]
    either = [text for texts in each for text in texts]
    columns, filled = (dict(entries(GIVEN[name])) for name in ("columns", "filled"))
    assert len(set(either)) == len(either)
    # A day of sale or a customer also says how the reed turned out.
    both = columns.keys() & filled.keys()
    assert {columns[heading] for heading in both} == {"sold_on", "customer"}
    assert {filled[heading] for heading in both} == {"good"}
    assert not (columns.keys() | filled.keys()) & set(either)


def test_every_meaning_is_one_that_there_is():
    assert GIVEN["tables"].keys() <= TABLES.keys()
    assert GIVEN["columns"].keys() <= COLUMNS | LATER
    assert {name for e in GIVEN["either"] for name in e["means"]} <= COLUMNS
    assert GIVEN["filled"].keys() <= set(OUTCOMES)
    for column, words in GIVEN["words"].items():
        assert words.keys() <= set(vocabularies()[column]), column


def test_english_and_german_are_there_and_the_others_are_marked():
    languages = {k for entry in GIVEN["columns"].values() for k in entry}
    assert languages <= {"en", "de", *GIVEN["unchecked"]}
    assert all({"en", "de"} <= entry.keys() for entry in GIVEN["columns"].values())
    assert all({"en", "de"} <= entry.keys() for entry in GIVEN["words"]["outcome"].values())


def test_case_accents_units_and_points_do_not_matter():
    columns = vocabulary().columns
    for heading in ("Gebunden am", "GEBUNDEN AM:", " gebunden  am ", "Gebunden-am"):
        assert columns[plain(heading)] == "tied_on"
    for heading in ("Öffnung", "Oeffnung", "öffnung (mm)"):
        assert columns[plain(heading)] == "opening"
    assert columns[plain("Nr.")] == columns[plain("#")] == "reed"


def test_every_column_is_known_by_its_own_name():
    for name in {n for t in TABLES.values() for n in t.columns}:
        assert vocabulary().knows(name.replace("_", " ")), name
