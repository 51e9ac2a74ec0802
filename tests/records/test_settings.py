"""Settings: what makes no sense is a finding under its own key, and the others still count."""

import pytest

from reedlab.errors import SettingsError
from reedlab.records import Settings
from reedlab.records.settings import read_settings


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ('hemishpere = "south"', "hemishpere"),
        ('wage_per_hour = "20"', "wage_per_hour"),
        ("staple_recovered = 1.5", "staple_recovered"),
        ("format = 2", "format"),
        ("costs = 3", "costs"),
        ('success = ["godo"]', "success"),
        ('[words.outcome]\ngut = "goood"', "words.outcome"),
        ('[columns.reeds]\nNummer = "red"', "columns.reeds"),
        ('[tables]\nRohre = "reds"', "tables"),
        ('[ranges]\n"reeds.tied_mm" = [75, 70]', "ranges.reeds.tied_mm"),
        ('[[heated]]\nfrom = "autumn"\nto = "04-10"', "heated"),
        ('[[usual]]\nfrom = "soon"', "usual.from"),
        ('[[usual]]\nfrom = 2024-04-01\nstaple_mm = "47"', "usual.staple_mm"),
        ('[[usual]]\nfrom = 2024-04-01\nstyle = "middle"', "usual.style"),
        ("heated = 3", "heated"),
        ("success = []", "success"),
        ("staple_price = 1e308", "staple_price"),
        ("[[usual]]\nfrom = 2024-04-01\nstaple_mm = -47", "usual.staple_mm"),
    ],
)
def test_a_setting_that_makes_no_sense_is_named_and_the_others_count(tmp_path, text, key):
    (tmp_path / "bench.toml").write_text(f'currency = "CHF"\n{text}\n')
    settings, found = read_settings(tmp_path)
    findings = found.frame()
    assert findings[["table", "column", "severity"]].values.tolist() == [
        ["bench.toml", key, "error"]
    ]
    assert settings == Settings(currency="CHF")


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("success = []", 3),
        ("# success\n\nsuccess = [\n]", 5),
        ("[costs]\ncurrency = 'CHF'\nstaple_price = 1e308", 5),
        ("costs.staple_price = -1", 3),
        ("[[usual]]\nfrom = 2024-01-01\nstaple_mm = 47\n"
         "[[usual]]\nfrom = 2025-01-01\nstaple_mm = -47", 8),
        ('[words.outcome]\ngut = "good"\nmies = "goood"', 5),
        ("usual = [{ from = 2024-01-01, staple_mm = -47 }]", 3),
        ('[ranges]\n"reeds.tied_mm" = [75, 70]', 4),
        ("hemishpere = 1", 3),
    ],
)  # fmt: skip
def test_an_error_of_a_setting_names_its_line(tmp_path, text, line):
    (tmp_path / "bench.toml").write_text(f"format = 1\n\n{text}\n")
    findings = read_settings(tmp_path)[1].frame()
    assert findings["row"].tolist() == [line]


MANY = """currency = "CHF"
[columns.reeds]
"Nr" = "reed"
"Los" = "lott"
"Kundin" = ""
[columns.lost]
"Los" = "lot"
[words.outcome]
"gut" = "good"
"weg" = "gone"
[ranges]
"reeds.tied_mm" = { long = [70, 75], short = [80, 73] }
"pieces.gouge_centre_mm" = [0.5, 0.7]
[[usual]]
from = 2024-01-01
staple_mm = 47
style = "middle"
[[usual]]
from = "soon"
staple_mm = 46
[[usual]]
from = 2025-01-01
style = "middle"
thread = "FF"
[tables]
"Rohre" = "reeds"
"Holz" = "cane"
[[heated]]
from = "10-15"
to = "04-10"
[[heated]]
from = "autumn"
to = "04-10"
"""


def test_one_wrong_line_costs_that_line(tmp_path):
    (tmp_path / "bench.toml").write_text(MANY)
    settings, found = read_settings(tmp_path)
    lines = MANY.splitlines()
    wrong = found.frame()["row"].tolist()
    assert [lines[line - 1] for line in sorted(wrong)] == [
        '"Los" = "lott"', "[columns.lost]", '"weg" = "gone"',
        '"reeds.tied_mm" = { long = [70, 75], short = [80, 73] }', 'style = "middle"',
        'from = "soon"', 'style = "middle"', '"Holz" = "cane"', 'from = "autumn"',
    ]  # fmt: skip
    assert len(set(wrong)) == len(wrong)
    assert settings.columns == {"reeds": {"Nr": "reed", "Kundin": ""}}
    assert settings.words == {"outcome": {"gut": "good"}}
    assert settings.ranges == {
        "reeds.tied_mm": {"long": (70, 75)}, "pieces.gouge_centre_mm": (0.5, 0.7),
    }  # fmt: skip
    assert [u.values for u in settings.usual] == [{"staple_mm": 47}, {"thread": "FF"}]
    assert settings.tables == {"rohre": "reeds"}
    assert settings.heated == (("10-15", "04-10"),)
    assert settings.currency == "CHF"


def test_a_broken_file_is_named_as_such_with_its_line(tmp_path):
    (tmp_path / "bench.toml").write_text('currency = "CHF"\n[columns.reeds\n"Nr" = "reed"\n')
    settings, found = read_settings(tmp_path)
    finding = found.frame().iloc[0]
    assert (finding["row"], finding["severity"]) == (2, "error")
    assert finding["problem"].startswith("is not valid TOML")
    assert settings == Settings()


def test_what_is_there_instead_of_the_settings_is_named(tmp_path):
    (tmp_path / "bench.toml").symlink_to("nowhere.toml")
    (tmp_path / "bench.toml.txt").write_text("format = 1\n")
    findings = read_settings(tmp_path)[1].frame()
    assert findings[["table", "severity"]].values.tolist() == [
        ["bench.toml.txt", "warning"],
        ["bench.toml", "error"],
    ]
    assert "broken link" in findings["problem"].iloc[1]


def test_an_error_of_a_setting_is_one_sentence_of_its_fields():
    with pytest.raises(SettingsError) as refused:
        Settings(success={"godo"})
    error = refused.value
    assert (error.key, error.fix) == ("success", "write good, if you mean that")
    assert str(error) == f"success {error.problem}: {error.fix}."


def test_a_file_that_cannot_be_read_leaves_every_setting_at_its_default(tmp_path):
    (tmp_path / "bench.toml").write_text("currency = ")
    settings, found = read_settings(tmp_path)
    assert settings == Settings()
    assert found.frame()[["table", "severity"]].values.tolist() == [["bench.toml", "error"]]
