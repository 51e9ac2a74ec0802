"""What `rl.show` publishes to a notebook, and prints where there is none."""

import base64

import pandas as pd
import pytest

import reedlab as rl
from reedlab.report import display
from reedlab.report.figures import base


@pytest.fixture
def shown(monkeypatch):
    """Stand in for a notebook: collect what is published to it."""
    found = []
    monkeypatch.setattr("IPython.get_ipython", object)
    monkeypatch.setattr("IPython.display.display", lambda data, **how: found.append((data, how)))
    return found


@pytest.fixture
def picture():
    frame = pd.DataFrame({"lot": ["L01", "L02"], "sd": [1.0, 2.0], "low": 0.5, "high": 2.5})
    return base.intervals(frame, "lot", "sd")


def test_a_picture_without_alternative_text_is_refused(picture):
    with pytest.raises(ValueError, match="alternative text"):
        rl.show(picture, alt=" ")


def test_a_picture_is_shown_with_its_words(picture, shown):
    rl.show(picture, alt='The "best".')
    ((data, how),) = shown
    assert data["text/plain"] == 'The "best".' and how["raw"]
    assert data["text/html"].startswith('<img alt="The &quot;best&quot;." src="data:image/svg+xml')
    content = data["text/html"].partition("base64,")[2].partition('"')[0]
    assert base64.b64decode(content).decode() == base.svg(picture)


def test_text_is_shown_as_text(shown):
    rl.show("<b>ochre</b>")
    rl.show(["<b>one</b>", "two"])
    assert [data["text/plain"] for data, _ in shown] == ["<b>ochre</b>", "<b>one</b>\ntwo"]
    assert not any("<b>" in data["text/html"] for data, _ in shown)


def test_nothing_is_shown_of_nothing(shown):
    rl.show(())
    rl.show(base.without_data("Nothing was drawn."))
    assert not shown


def test_a_frame_without_rows_is_said_to_hold_none(capsys):
    rl.show(pd.DataFrame(columns=["sign", "blanks"]))
    assert capsys.readouterr().out == "None in these records.\n"


def test_an_answer_shows_sentence_picture_table_and_notes(shown):
    answer = rl.losses(rl.demo_bench())
    rl.show(answer)
    sentence, picture, table, notes = (data for data, _ in shown)
    assert sentence["text/plain"] == answer.sentence()
    assert picture["text/html"].startswith("<img ")
    assert picture["text/plain"].startswith("Share of all settled reeds")
    assert table["text/plain"].count("\n") == len(answer.table)
    assert notes["text/plain"] == "\n".join(answer.notes)


def test_an_answer_that_cannot_be_given_shows_why(shown):
    bench, _ = rl.simulate_bench(seed=1, suppliers=2, lots=(1, 1), reeds=40, years=1)
    answer = rl.seasons(bench)
    assert answer.unanswered
    rl.show(answer)
    assert [data["text/plain"] for data, _ in shown] == [answer.sentence()]


def test_a_refusal_is_shown_and_the_notebook_goes_on(shown):
    with display.refusals_shown():
        raise rl.DecisionError("All reeds are of one lot.")
    assert [data["text/plain"] for data, _ in shown] == ["All reeds are of one lot."]
    with pytest.raises(KeyError), display.refusals_shown():
        raise KeyError("a mistake is no refusal")


def test_a_table_for_print_is_shown_as_it_is_set(shown):
    table = display.for_print(pd.DataFrame({"lot": ["L01"]}), "lots", "Lots", "Invented.")
    rl.show(table, alt="The lots, set for print.")
    ((data, _),) = shown
    assert data == {"text/plain": "The lots, set for print.", "text/html": table.as_raw_html()}
