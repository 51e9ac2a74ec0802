"""A made-up year at the bench, as its maker would go through it; its numbers counted by hand.

Two lots, sixty-two reeds. The sheets are written below reed by reed, so that every number asserted
here can be counted in them: nothing is asserted that reedlab worked out first.
"""

import pytest

import reedlab as rl
from reedlab import cli
from reedlab.report.pages import writing
from reedlab.report.words import first_page

DAY = "2026-11-26"
CANE = (
    "Lot;Supplier;Bought;Quantity;Unit;Price;Freight\n"
    "A;ochre;05.01.2026;40;piece;80,00;8,00\n"
    "B;slate;02.03.2026;45;piece;45,00;0\n"
)
# Of A: twenty tied in January, a month of rest, then sold at 30. Of B: twenty in March.
A_ENDS = ["gut"] * 12 + ["Schüler"] * 3 + ["Müll"] * 4 + ["naja"]
B_ENDS = ["gut"] * 8 + ["Schüler"] * 2 + ["Müll"] * 6 + [""] * 4


def sheet():
    lines = ["Nr;Lot;Gebunden am;Geschabt am;Fertig am;Ergebnis;Verkauft am;Preis;Kunde"]
    for at, end in enumerate(A_ENDS, start=1):
        sold = "20.02.2026;30;C1" if at <= 10 else ";;"
        lines.append(f"{at};A;{8 + at % 3:02}.01.2026;12.01.2026;14.01.2026;{end};{sold}")
    for at, end in enumerate(B_ENDS, start=21):
        done = "12.03.2026;14.03.2026" if end else ";"
        lines.append(f"{at};B;{8 + at % 3:02}.03.2026;{done};{end};;;")
    return "\n".join(lines) + "\n"


@pytest.fixture
def said(capsys, monkeypatch):
    """Return what runs a command on the last day of the year and gives what it says."""
    monkeypatch.setenv("REEDLAB_TODAY", DAY)

    def run(*words, keys=()):
        typed = iter(keys)
        monkeypatch.setattr(cli, "_is_terminal", lambda: bool(keys))
        monkeypatch.setattr("builtins.input", lambda _: next(typed))
        try:
            cli.main([str(word) for word in words])
        except SystemExit as end:
            assert not end.code, capsys.readouterr()
        return capsys.readouterr().out

    return run


def test_a_year(said, tmp_path):
    mine, bench = tmp_path / "mine", tmp_path / "bench"
    mine.mkdir()
    (mine / "Rohre.csv").write_text(sheet(), "utf-8")
    (mine / "Lieferungen.csv").write_text(CANE, "utf-8")
    before = {path: path.read_bytes() for path in mine.iterdir()}
    # Three questions: old blanks are still here, the price is what a reed fetched, "naja" plays.
    told = said("adopt", mine, "--to", bench, keys=["2", "1", "2"])
    assert "Lieferungen.csv: 2 rows, lots." in told and "Rohre.csv: 40 rows, reeds." in told
    assert rl.open_bench(bench).findings.empty
    # A batch of ten of lot B on a pencil sheet, 41 to 50: seven good, one plays, two lost.
    assert "Sheet 1 is in" in said("sheet", bench, "--lot", "B", "--rows", "10")
    keys = ["KL", "2026-11-02", "", "72,5", "11", "41", "2026-11-03", "2026-11-05", "2026-11-07"]
    keys += ["g3", "g3k", "g2", "g3", "g4", "g3", "g3", "p2", "r1", "f4", "30", "95", "140"]
    assert "10 reeds and 3 sittings noted" in said("type", bench, 1, keys=keys)
    # From the phone: three old blanks of B end, and twelve more of B are tied, five roughed.
    rows = ["entry,noted_at,reed,lot,maker,tied_on,rough_on,judged_on,outcome,lost_at,fault,"
            "strength",
            "A-1,2026-11-20 09:00,37,,,,,2026-11-20,good,,,medium",
            "A-2,2026-11-20 09:01,38,,,,,2026-11-20,reject,play,flat,",
            "A-3,2026-11-20 09:02,39,,,,,,given_up,,,"]  # fmt: skip
    for at in range(12):
        rough = "2026-11-24" if at < 5 else ""
        rows.append(f"A-{at + 4},2026-11-23 10:{at:02},A{at + 1},B,KL,2026-11-23,{rough},,,,,")
    (tmp_path / "A.csv").write_text("\n".join(rows) + "\n")
    assert "15 new entries, 0 that" in said("gather", bench, tmp_path / "A.csv")
    assert "0 new entries, 15 that" in said("gather", bench, tmp_path / "A.csv")
    (bench / "orders.csv").write_text("order,reeds,by,strength\nK1,4,2026-12-20,medium\n")
    day = [" ".join(line.split()) for line in said("today", bench).splitlines()]
    # Of 45 pieces of B 20, 10 and 12 are tied: three are left. Forty is the only old blank.
    assert {"FINISH 5 of B roughed Tue", "ROUGH 7 of B tied Mon", "CANE B 3 pieces left",
            "ORDERS K1: 4 medium by 20 Dec 4 in stock", "WAITING no. 40 tied in March 2026",
            } <= {*day}  # fmt: skip
    assert "on track: nothing to tie" in said("order", bench)
    opened = rl.open_bench(bench)
    reeds = opened.reeds.set_index("reed").astype(object)
    assert reeds.loc["1", ["lot", "outcome", "sold_for", "customer"]].tolist() == [
        "A", "good", 30.0, "C1",
    ]  # fmt: skip
    assert str(reeds.loc["1", "sold_on"])[:10] == "2026-02-20"
    assert reeds.loc["38", ["lot", "outcome", "lost_at", "fault"]].tolist() == [
        "B", "reject", "play", "flat",
    ]  # fmt: skip
    assert reeds.loc["49", ["outcome", "lost_at", "fault"]].tolist() == [
        "given_up", "rough", "leaks",
    ]  # fmt: skip
    assert reeds.loc["42", ["place", "tied_mm", "seals"]].tolist() == ["12", 72.5, True]
    # 95 minutes of ten reeds at roughing, 140 of the nine that were left at finishing.
    assert reeds.loc["41", "scrape_min"] == pytest.approx(95 / 10 + 140 / 9)
    # A: 12 good of 20 judged. B: 8 in the sheet, 7 typed and one from the phone, of 29 judged.
    known = opened.reeds.groupby("lot", observed=True)["success"].agg(["sum", "count"])
    assert known.loc[["A", "B"]].to_numpy().tolist() == [[12, 20], [16, 29]]
    # A cost 80 and 8 EUR for 40 pieces, B 45 EUR for 45.
    assert opened.losses.set_index("lot")["cost_per_piece"].tolist() == [2.2, 1.0]
    assert {path: path.read_bytes() for path in mine.iterdir()} == before
    # What she typed in names its maker, her own sheet none: that is one maker, and is said once.
    assert opened.reeds["maker"].astype(str).value_counts().to_dict() == {"me": 40, "KL": 22}
    assert opened.findings["column"].tolist().count("maker") == 1
    asked = writing._ask(opened, to_send=False)
    page = first_page.first_page(
        opened, asked.suppliers, asked.price, asked.day, asked.lost, asked.sorting
    )
    # Of 62 tied, 20 and 29 are judged; 12 and 16 of these are good.
    assert "62" in page.gone[0] and "49 judged" in page.gone[0] and "28 good" in page.gone[0]
