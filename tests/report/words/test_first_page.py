"""The maker's first page: in her words, every number from the answer that prints it."""

import math
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest

import reedlab as rl
from reedlab.decide.adviser import advise
from reedlab.decide.answer import Verdict, claims_frame
from reedlab.records import Bench
from reedlab.records.write.pencil_rows import PencilSheet
from reedlab.report.bench_sheets.pencil import pencil_page
from reedlab.report.pages import writing
from reedlab.report.words import advice, first_page, sentences, truth
from reedlab.report.words.short_lines import MOST_UNSURE, short_lines
from reedlab.simulate import World

NOT_HERS = {
    "sd", "sds", "odds", "prob", "ratio", "ratios", "posterior", "prior", "moisture", "interval",
    "intervals", "variance", "bias", "selection", "association", "deviation", "deviations",
    "failure", "failures", "told", "tells", "hangs", "lies", "stands", "parts", "whatever", "mend",
    "foretell", "nobody", "calendar",
}  # fmt: skip
"""Words that no page of hers says, nor a sheet."""


class _Text(HTMLParser):
    """The visible text of a page, and its alternative texts."""

    def __init__(self):
        super().__init__()
        self.inside, self.said = False, []

    def handle_starttag(self, tag, attributes):
        self.inside |= tag == "body"
        self.said += [value for name, value in attributes if name == "aria-label" and self.inside]

    def handle_endtag(self, tag):
        self.inside &= tag != "body"

    def handle_data(self, data):
        if self.inside:
            self.said.append(data)


@pytest.fixture(scope="module")
def demo():
    bench = rl.demo_bench()
    return bench, writing._ask(bench)


def page_of(demo):
    bench, asked = demo
    return writing.first_of(bench, asked, "run-1").decode()


def front(demo):
    return written_of(*demo)


def written_of(bench, asked):
    answers = asked.suppliers, asked.price, asked.day, asked.lost, asked.sorting
    return first_page.first_page(bench, *answers)


def lines_of(asked):
    return short_lines(asked.day, asked.season, asked.sorting, asked.stopping, asked.pupils)


def test_no_word_of_a_statistician_is_on_a_page_of_hers_nor_on_a_sheet(demo):
    bench, asked = demo
    rows = {name: ["1"] for name in ("place", "reed", "lot", "tied_on", "maker", "style")}
    pages = {
        "first": page_of(demo),
        "today": writing.today_of(bench, asked.day).decode(),
        "why": writing.why_of(bench, asked).decode(),
        "pupil": rl.pupil_page(rl.pupil(bench, "RS")),
        "sheet": pencil_page(PencilSheet(1, pd.DataFrame(rows))),
    }
    for name, page in pages.items():
        reader = _Text()
        reader.feed(page)
        said = " ".join(reader.said)
        words = set(re.findall(r"[a-z]+", said.casefold()))
        assert len(words) > 40, name
        assert not words & NOT_HERS, name
        assert "_" not in said.replace("lost_at", ""), name
        assert said.count(sentences.OF_THE_WORK) == 1, name
        assert (sentences.OF_THE_RECORDS in said) is (name in ("first", "why")), name


def test_the_terminal_says_of_the_cane_what_the_first_page_says(demo):
    _, asked = demo
    lines = writing._in_lines(asked.suppliers)
    assert front(demo).cane[0] in lines
    assert not NOT_HERS & {*re.findall(r"[a-z]+", " ".join(lines).lower())}


def test_what_a_price_holds_is_in_small_print(demo):
    held = "A price holds cane, a staple at 3 EUR, thread, hours at 20, and what else you set in "
    assert f"{first_page.RANGES} {held}bench.toml. Tying is not timed.</p>" in page_of(demo)


def test_its_sentences_are_short(demo):
    said = front(demo)
    lines, rest = lines_of(demo[1])
    blocks = [
        said.today,
        *said.cane,
        *said.ask,
        *said.gone,
        *said.steps,
        *(one.says for one in lines),
        rest,
    ]
    for sentence in re.split(r"(?<=[.:]) ", " ".join(blocks)):
        assert len(sentence.split()) <= 25, sentence


def test_the_numbers_are_those_of_the_answers(demo):
    bench, asked = demo
    said, table = front(demo), asked.price.table
    first = asked.suppliers.table.iloc[0]
    assert said.cane[0].startswith(first["supplier"].capitalize())
    assert f"about {first['cost']:.0f} " in said.cane[0]
    assert [row.supplier for row in said.rows] == asked.suppliers.table["supplier"].tolist()
    asks = table.set_index("supplier")["ask"]
    assert [row.ask for row in said.rows] == [asks[row.supplier] for row in said.rows]
    tied, judged = len(bench.reeds), int(bench.reeds["success"].notna().sum())
    assert said.gone[0].startswith(f"{tied} tied > {judged} judged")


def test_how_sure_a_difference_is_comes_from_the_draws(demo):
    _, asked = demo
    basis = asked.suppliers.basis
    from reedlab.decide.costs import cost_per_saleable

    cost = cost_per_saleable(basis.lot.expected, basis.evidence.rates)
    names = basis.evidence.arms["supplier"].tolist()
    for row in front(demo).rows[1:]:
        dearer = np.mean(
            cost[:, names.index(row.supplier)] > cost[:, names.index(asked.suppliers.best)]
        )
        grade = "sure" if dearer >= 0.9 else "likely" if dearer >= 2 / 3 else "too close to call"
        assert row.says.endswith(grade)


def test_a_page_behind_the_advice_says_its_worth_and_what_was_left_out(demo):
    bench, asked = demo
    lines = advice.weighed(asked.by_question(), bench.settings.wage_per_hour)
    given = [line for line in lines if not line.left_out]
    block = page_of(demo).split('id="next"')[1].split("</section>")[0]
    assert re.findall("<p>(.*?)</p>", block) == [
        str(one) for one in advise(asked.by_question().values(), bench.settings.wage_per_hour)
    ]
    assert len(given) == 3 and all(line.what in block for line in given)
    asks = [one.record_next for one in asked.by_question().values() if one.record_next is not None]
    assert len(lines) == len({say.what for say in asks})
    most = asked.suppliers.record_next
    assert f"Worth up to about {most.worth:.0f} EUR a year: what 10 more reeds" in given[0].worth
    page = writing.why_of(bench, asked).decode()
    assert all(line.what in page and (line.left_out or line.worth) in page for line in lines)
    assert 'href="run-1/why.html"' in page_of(demo)


def test_a_made_up_bench_is_laid_beside_the_truth_that_made_it(demo):
    """The truths are those of `World`: density in log odds per step, moisture in log minutes."""
    bench, asked = demo
    found = truth.ranges(asked.suppliers, asked.season, asked.sorting, asked.truth)
    by = found.set_index("what")
    made = asked.truth.suppliers.set_index("supplier")["next_success"]
    for name, share in made.items():
        assert by.loc[f"good in 100, next lot of {name}", "true"] == pytest.approx(100 * share)
    good = asked.suppliers.basis.evidence.settled["success"].mean()
    denser = 1 / (1 + (1 - good) / good * math.exp(-World().density)) - good
    for who in ("lots", "pieces of one lot"):
        row = by.loc[f"more good in 100, {who} with 0.05 g/cm³ more density"]
        assert row["true"] == pytest.approx(100 * denser)
    dry, damp = asked.season.moisture
    time = by.loc["% more time for a good reed, in damp air", "true"]
    assert time == pytest.approx(100 * (math.exp((damp - dry) * World().moisture_minutes) - 1))
    assert (
        found["holds"] == ((found["low"] <= found["true"]) & (found["true"] <= found["high"]))
    ).all()
    page = writing.truth_of(bench, asked, asked.truth).decode()
    assert f"Of {len(found)} ranges" in page and f"{found['holds'].sum()} hold" in page
    assert "truth.html" in page_of(demo)
    assert "truth.html" not in page_of((bench, replace(asked, truth=None)))


def test_each_other_question_has_a_line(demo):
    _, asked = demo
    lines, rest = lines_of(asked)
    said = {line.name: line.says for line in lines}
    assert list(said) == ["Season", "Sorting", "Giving up", "Pupils"] and rest == ""
    surest = asked.season.table.loc[asked.season.table["prob_matters"].idxmax()]
    minutes = abs(surest["usual"] * (surest["pooled"] - 1))
    assert f"takes you about {minutes:.0f} minute" in said["Season"]
    assert said["Season"][1:].partition(":")[0] in asked.season.sentence()
    assert asked.day.room[1:] in said["Season"]
    sign = asked.stopping.rules["says"].iloc[0]
    assert said["Giving up"].startswith(
        f"Give up blanks with {sign} ({asked.stopping.verdict.value}). "
    )
    saves = said["Giving up"].partition("It saves ")[2].removesuffix(".")
    assert f"saves {saves}." in asked.stopping.sentence()
    without = replace(asked, stopping=replace(asked.stopping, follow=False))
    worth_it = {line.name: line.says for line in lines_of(without)[0]}["Giving up"]
    worst = asked.stopping.table.sort_values("good").iloc[0]
    assert f"About {100 * worst['good']:.0f} in 100" in worth_it
    assert f"about {100 * asked.stopping.stakes.threshold:.0f} would pay" in worth_it
    behind = asked.pupils.table.query("practise != ''")["maker"]
    assert [part.partition(" loses ")[0] for part in said["Pupils"].split("; ")] == [*behind]


def test_cannot_say_yet_is_at_most_twice_on_it(demo):
    _, asked = demo
    assert page_of(demo).casefold().count("cannot say") <= MOST_UNSURE
    assert sum(line.unsure for line in lines_of(asked)[0]) <= MOST_UNSURE
    even = asked.stopping.table.assign(pays=0.5)  # the worst sign just pays
    unsure = claims_frame([("no rule saves", 0.5, Verdict.CANNOT_SAY, 0.0, False)])
    third = replace(
        asked,
        sorting=replace(asked.sorting, claims=unsure),
        stopping=replace(asked.stopping, table=even, follow=False),
    )
    lines, rest = lines_of(third)
    assert sum(line.unsure for line in lines) == MOST_UNSURE
    assert [line.name for line in lines] == ["Season", "Sorting", "Pupils"]
    assert rest == "Not enough reeds yet for giving up."


def test_what_she_needs_is_on_two_screens_of_a_phone(demo, browser, tmp_path):
    (tmp_path / "index.html").write_bytes(page_of(demo).encode())
    with browser.new_context(viewport={"width": 390, "height": 844}) as context:
        page = context.new_page()
        page.goto((tmp_path / "index.html").as_uri())
        blocks = page.locator("section.block")
        names = [blocks.nth(n).locator("h2").inner_text().casefold() for n in range(4)]
        assert names == ["do this next", "cane to buy", "what to ask for a reed", "where they go"]
        fourth = blocks.nth(3).bounding_box()
        assert fourth["y"] + fourth["height"] <= 2 * 844


def test_the_bars_lie_within_the_picture_and_in_order():
    rows = [
        first_page.Row("ochre", 26.0, 20.0, 34.0, 28.0, "best guess"),
        first_page.Row("slate", 49.0, 31.0, 86.0, math.nan, "dearer, sure"),
    ]
    drawn = first_page.bars(rows, "EUR", 0)
    for line in drawn:
        assert 0 <= line["low"] < line["ask"] < line["high"] <= 100
    assert drawn[1]["fetched"] is None and drawn[1]["high"] == 100.0
    assert "ask 49 EUR (31 to 86)" in drawn[1]["alt"]


def test_a_bench_without_minutes_shows_no_cost(demo):
    bench, _ = demo
    tables = dict(bench.tables)
    tables["reeds"] = tables["reeds"].drop(columns=["rough_min", "finish_min"])
    tables["sittings"] = tables["sittings"].iloc[:0]
    untimed = Bench.from_tables(tables, settings=bench.settings, today=bench.today, check=False)
    asked = writing._ask(untimed)
    page = written_of(untimed, asked)
    assert page.rows == () and asked.price.unanswered
    assert "EUR" not in " ".join([*page.cane, *page.ask])
    assert "minutes" in page.steps[0]


def test_a_first_reed_has_a_first_page():
    lots = pd.DataFrame({"lot": ["L1"], "supplier": ["ochre"]})
    reeds = pd.DataFrame(
        {"reed": ["1"], "lot": ["L1"], "tied_on": ["2026-01-05"], "outcome": [None]}
    )
    bench = Bench.from_tables({"lots": lots, "reeds": reeds}, today="2026-01-06")
    asked = writing._ask(bench)
    page = written_of(bench, asked)
    assert page.gone[0] == "1 tied > 0 judged > 0 good."
    assert page.steps and page.cane[0]
    lines, rest = lines_of(asked)
    assert not lines
    assert rest == "Not enough reeds yet for season, sorting, giving up and pupils."
