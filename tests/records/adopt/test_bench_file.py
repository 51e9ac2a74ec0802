"""Lines are added to a bench.toml, each in its section, and no other line is touched."""

import tomllib

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reedlab.errors import RecordError
from reedlab.records.adopt.bench_file import START, read_answers, with_lines
from reedlab.records.adopt.lines import Line

TEXT = st.text(st.characters(codec="utf-8"), max_size=12)
SECTIONS = st.sampled_from(["files", "columns.reeds", "words.outcome", "outcome.filled"])

HERS = """\
# my own
format = 1

[columns.reeds]
"Nr" = "reed"        # the number
'Result' = "outcome"
"meh" = "?"  # open

# costs are mine
[costs]
wage_per_hour = 25
"""


def test_every_line_of_hers_stays_and_the_new_ones_come_into_their_sections():
    new = [
        Line(("date_order",), "day-month", "as 30.3. shows"),
        Line(("columns", "reeds", "Nr"), "piece", "a guess"),
        Line(("columns", "reeds", "Öffnung"), "opening"),
        Line(("columns", "reeds", "meh"), "note", "3 filled"),
        Line(("files", "../a.csv"), "reeds"),
        Line(("outcome", "old_days"), 30),
    ]
    text = with_lines(HERS, new)
    kept = [line for line in HERS.splitlines() if line and '"?"' not in line]
    assert [line for line in text.splitlines() if line in kept] == kept
    given = tomllib.loads(text)
    assert given["date_order"] == "day-month"
    assert given["columns"]["reeds"] == {
        "Nr": "reed", "Result": "outcome", "meh": "note", "Öffnung": "opening",
    }  # fmt: skip
    assert given["files"] == {"../a.csv": "reeds"} and given["outcome"] == {"old_days": 30}
    assert given["costs"] == {"wage_per_hour": 25}
    assert with_lines(text, new) == text


def test_lines_without_a_section_come_before_the_first():
    text = with_lines("# mine\n\n# sheets\n[files]\n'x' = 'reeds'\n", [Line(("date_order",), "?")])
    assert tomllib.loads(text) == {"date_order": "?", "files": {"x": "reeds"}}


@pytest.mark.parametrize("hers", ["files = {'x' = 'reeds'}\n", "files.x = 'reeds'\n"])
def test_a_form_that_takes_no_lines_is_refused(hers):
    with pytest.raises(RecordError, match="under a heading of its own"):
        with_lines(hers, [Line(("files", "y"), "lots")])


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_line_ends_stay_as_they_are(line_end):
    text = with_lines(HERS.replace("\n", line_end), [Line(("files", "y"), "lots")])
    assert text == with_lines(HERS, [Line(("files", "y"), "lots")]).replace("\n", line_end)


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.tuples(SECTIONS, TEXT, TEXT), max_size=8, unique_by=lambda e: e[:2]))
def test_whatever_she_writes_is_read_back(entries):
    lines = [Line((*section.split("."), key), value, value) for section, key, value in entries]
    text = with_lines(START, lines)
    wanted = {line.path: line.value for line in lines if line.value != "?"}
    assert read_answers(text) == wanted
    assert with_lines(text, lines) == text
