"""Outcomes as makers keep them: words, names, prices, ticks, and nothing at all."""

import pytest

import reedlab as rl

TODAY = "2024-12-01"


def outcomes(tmp_path, toml, lines, today=TODAY):
    """Open a bench of a few reeds and return their outcomes and the findings."""
    (tmp_path / "reeds.csv").write_text("\n".join(lines) + "\n", "utf-8")
    (tmp_path / "bench.toml").write_text(toml, "utf-8")
    bench = rl.open_bench(tmp_path, today=today)
    return [*bench.tables["reeds"]["outcome"].astype(object).fillna("")], bench


def test_the_word_then_the_price_then_the_name(tmp_path):
    toml = (
        '[outcome]\na_price = "good"\na_name = "good"\n'
        '[words.outcome]\n"-" = "reject"\n"Schüler" = "playable"\n"naja" = "?"\n'
    )
    lines = ["reed,lot,tied_on,outcome"] + [
        f'{i},L1,2024-03-0{i + 1},"{text}"'
        for i, text in enumerate(
            ["-", "schüler", "24 €", "24,50", "A. Weber", "broken", "naja", ""]
        )
    ]
    found, bench = outcomes(tmp_path, toml, lines)
    assert found == ["reject", "playable", "good", "good", "good", "broken", "", ""]
    errors = bench.findings.query("column == 'outcome' and severity == 'error'")
    assert [*errors["value"]] == ["naja"]


def test_without_rules_nothing_is_read_into_a_sheet(tmp_path):
    lines = ["reed,lot,tied_on,outcome", '1,L1,2024-03-01,"24 €"', "2,L1,2024-03-02,-"]
    found, bench = outcomes(tmp_path, "format = 1\n", lines)
    assert found == ["", ""]
    assert "24 €" in [*bench.findings["value"]]


def test_an_entry_in_a_column_means_an_outcome_where_there_is_none(tmp_path):
    toml = (
        '[columns.reeds]\n"Kunde" = ""\n"Müll" = ""\n'
        '[outcome.filled]\n"Kunde" = "good"\n"Müll" = "reject"\n'
    )
    lines = ["reed,lot,tied_on,outcome,Kunde,Müll", "1,L1,2024-03-01,,Weber,",
             "2,L1,2024-03-02,,,x", "3,L1,2024-03-03,playable,Weber,", "4,L1,2024-03-04,,-,nein",
             "5,L1,2024-03-05,,,"]  # fmt: skip
    assert outcomes(tmp_path, toml, lines)[0] == ["good", "reject", "playable", "", ""]
    lines = [line.replace(",playable", ",").replace(",outcome", "") for line in lines]
    lines = [line.replace(",,", ",", 1) if at else line for at, line in enumerate(lines)]
    assert outcomes(tmp_path, toml, lines)[0] == ["good", "reject", "good", "", ""]


def test_an_old_blank_without_an_outcome_means_what_she_says(tmp_path):
    toml = '[outcome]\nwhen_old_and_empty = "given_up"\nold_days = 30\n'
    lines = ["reed,lot,tied_on,outcome", "1,L1,2024-10-31,", "2,L1,2024-11-01,",
             "3,L1,2024-06-01,good", "4,L1,2024-06-01,strange", "5,L1,,"]  # fmt: skip
    found, bench = outcomes(tmp_path, toml, lines)
    assert found == ["given_up", "", "good", "", ""]
    (said,) = bench.findings.query("column == 'outcome' and severity == 'read_as'")["problem"]
    assert "1 blank older than 30 days" in said and "given_up" in said
    # On another day another blank is old; without the rule, none is.
    assert outcomes(tmp_path, toml, lines, "2024-12-31")[0][:2] == ["given_up", "given_up"]
    for other in ("", 'when_old_and_empty = "?"', 'when_old_and_empty = ""'):
        assert outcomes(tmp_path, f"[outcome]\n{other}\n", lines)[0][0] == ""


@pytest.mark.parametrize(
    ("toml", "key", "says"),
    [
        ('[outcome]\na_price = "sold"\n', "outcome.a_price", "'sold'"),
        ('[outcome]\nprices = "good"\n', "outcome", "'prices'"),
        ("[outcome]\nold_days = -3\n", "outcome.old_days", "-3"),
        ('[outcome.filled]\nKunde = "gut"\n', "outcome.filled", "'gut'"),
        ('[files]\n"../x.csv" = "rohre"\n', "files.../x.csv", "'rohre'"),
    ],
)
def test_a_rule_that_makes_no_sense_is_named(tmp_path, toml, key, says):
    lines = ["reed,lot,tied_on,outcome", "1,L1,2024-10-31,good"]
    found, bench = outcomes(tmp_path, toml, lines)
    assert found == ["good"]
    (row,) = bench.findings.query("table == 'bench.toml'").to_dict("records")
    assert row["column"] == key and says in row["problem"] and row["severity"] == "error"
