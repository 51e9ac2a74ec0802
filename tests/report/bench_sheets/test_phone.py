"""The phone page in a browser, by touch and offline: taps, entries that last, and what is sent."""

import json
import re
import shutil
from dataclasses import dataclass
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from threading import Thread

import pandas as pd
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

import reedlab as rl
from reedlab.errors import RecordError, WriteError
from reedlab.records.entries import Gathered, gather, note
from reedlab.records.tables import FAULTS, STRENGTHS
from reedlab.report.bench_sheets.phone import phone_page, site, write_phone

TODAY = "2026-03-10"
THUMB_PX = 57  # 15 mm at 96 CSS pixels an inch
CLOSING = "</script><b>L9"
LOTS = f"""lot,supplier,bought_on,price,currency
L21,ochre,2026-01-05,96,EUR
L22,olive,2026-02-05,88,EUR
{CLOSING},umber,2025-01-05,70,EUR
"""
REEDS = """reed,lot,maker,tied_on,rough_on,finished_on,outcome,fault,judged_on,customer,sold_for
R1,L21,KL,2026-02-01,2026-02-02,2026-02-03,good,,2026-02-05,C77,4321
R2,L21,KL,2026-02-01,2026-02-02,2026-02-03,reject,buzzes; flat,2026-02-05,,
R3,L22,KL,2026-03-06,,,,,,,
R4,L22,KL,2026-03-06,,,,,,,
R5,L21,KL,2026-03-03,2026-03-04,,,,,,
R6,L21,KL,2026-03-01,2026-03-02,2026-03-04,,,,,
"""


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """Write the bench and its page once; each test has a copy."""
    bench = tmp_path_factory.mktemp("benches") / "mine"
    bench.mkdir()
    (bench / "lots.csv").write_text(LOTS)
    (bench / "reeds.csv").write_text(REEDS)
    write_phone(opened(bench))
    return bench


@pytest.fixture
def folder(written, tmp_path):
    return shutil.copytree(written, tmp_path / "mine")


@pytest.fixture
def address(folder):
    return (folder / "phone" / "bench.html").as_uri()


def opened(folder):
    return rl.open_bench(folder, today=TODAY)


@dataclass
class Phone:
    """A page under a thumb; it counts taps, and no tap waits for more than the page itself."""

    page: object
    taps: int = 0

    def tap(self, *names):
        for name in names:
            self.page.locator(f'[id="{name}"]').tap()
            self.taps += 1

    def open_batch(self, step, of):
        self.page.locator(".batch", has_text=step).filter(has_text=of).first.tap()
        self.taps += 1

    @property
    def title(self):
        return self.page.locator("#title")

    @property
    def said(self):
        return self.page.locator(".said")

    def sees(self, words):
        expect(self.page.locator("main")).to_contain_text(words)

    def text(self):
        """Return what would be sent, and come back."""
        self.page.locator("#send").tap()
        found = self.page.locator("#text").input_value()
        self.page.locator("#back").tap()
        return found


@pytest.fixture
def contexts(browser):
    """Contexts like a phone in flight mode, closed at the end."""
    made = []

    def new(**more):
        made.append(browser.new_context(
            **{"viewport": {"width": 360, "height": 640}, "has_touch": True, "offline": True,
               "timezone_id": "Europe/Berlin"} | more))  # fmt: skip
        return made[-1]

    yield new
    for context in made:
        context.close()


def begun(context, address, letter="A", script=None):
    page = context.new_page()
    page.set_default_timeout(10_000)
    page.clock.set_system_time(f"{TODAY}T10:00:00")
    if script:
        page.add_init_script(script)
    page.goto(address)
    phone = Phone(page)
    if letter:
        page.locator(f"#letter-{letter}").tap()
        page.locator("#tie").wait_for()
    return phone


@pytest.fixture
def phone(address, contexts):
    return begun(contexts(), address)


def tie(phone, lot="L21"):
    phone.tap("tie", f"lot-{lot}", "tied")
    expect(phone.said).to_contain_text("tied")


# ---- the file ----


def test_the_file_holds_codes_and_no_supplier_customer_or_price(folder):
    page = (folder / "phone" / "bench.html").read_text("utf-8")
    assert not any(re.search(rf"\b{word}\b", page) for word in ("ochre", "olive", "umber", "C77"))
    assert not any(word in page for word in ("4321", "price", "customer", "supplier", "EUR"))
    assert "http" not in page.replace("http-equiv", "")
    known = json.loads(re.search(r'id="bench">(.*)</script>', page)[1])
    assert known["lots"] == ["L22", "L21", CLOSING]
    assert known["faults"][:3] == ["buzzes", *FAULTS[:2]] and len(known["faults"]) == 10
    assert known["strengths"] == list(STRENGTHS)
    assert [b["reed"] for b in known["blanks"]] == ["R6", "R5", "R3", "R4"]


def test_pages_of_one_bench_share_its_identifier_and_only_its_own_place_is_replaced(folder):
    first = folder / "phone" / "bench.html"
    known = re.search(r'"id":"(\w+)"', first.read_text("utf-8"))[1]
    other = write_phone(opened(folder), folder.parent / "phone.html")
    assert f'"id":"{known}"' in other.read_text("utf-8")
    with pytest.raises(WriteError, match="exists already"):
        write_phone(opened(folder), other)
    assert write_phone(opened(folder)) == first
    assert {path.name for path in (first.parent / "site").iterdir()} == {*site(opened(folder), "x")}


def test_a_workbook_has_no_phone_page(folder):
    frames = {"lots": pd.DataFrame({"lot": ["L1"], "supplier": ["ochre"]})}
    with pytest.raises(RecordError, match="give the folder"):
        write_phone(rl.Bench.from_tables(frames))


# ---- taps ----


def test_a_batch_of_ten_from_tying_to_verdict_in_45_taps(phone, folder):
    """Ten tied in 5 taps, roughed with two lost in 8, a reed judged in 2 or 3; all arrives."""
    tie(phone)
    assert phone.taps <= 5
    before = phone.taps
    phone.open_batch("ROUGH", "10 of L21")
    phone.tap("start-timer")
    phone.page.clock.set_system_time(f"{TODAY}T10:38:00")
    phone.tap("reed-A3", "fault-flat", "reed-A7", "done")
    expect(phone.said).to_have_text("8 of L21 roughed, 2 lost, 38 min.")
    assert phone.taps - before <= 8
    phone.open_batch("FINISH", "8 of L21")
    phone.tap("done")
    phone.open_batch("PLAY", "8 of L21")
    for _ in range(7):
        before = phone.taps
        phone.tap("verdict-good", "strength-medium_soft")
        assert phone.taps - before <= 3
    phone.tap("verdict-no", "fault-flat")
    assert phone.taps <= 45
    expect(phone.said).to_contain_text("A10: flat")
    gather(folder, phone.text(), "the text")
    bench = opened(folder)
    reeds = bench.tables["reeds"].set_index("reed").loc[[f"A{i}" for i in range(1, 11)]]
    assert set(reeds["lot"]) == {"L21"} and set(reeds["maker"]) == {"KL"}
    assert (reeds[["tied_on", "rough_on", "judged_on"]] == pd.Timestamp(TODAY)).all(axis=None)
    assert reeds["outcome"].astype(str).tolist() == (
        ["good"] * 2 + ["given_up"] + ["good"] * 3 + ["given_up"] + ["good"] * 2 + ["reject"]
    )
    assert reeds["lost_at"].dropna().astype(str).to_dict() == {
        "A3": "rough", "A7": "rough", "A10": "play",
    }  # fmt: skip
    assert reeds["fault"].dropna().to_dict() == {"A3": "flat", "A10": "flat"}
    assert set(reeds["strength"].dropna()) == {"medium_soft"}
    assert reeds["finished_on"].notna().sum() == 8
    (sitting,) = bench.tables["sittings"].to_dict("records")
    assert (sitting["stage"], sitting["minutes"], sitting["maker"]) == ("rough", 38.0, "KL")
    assert sitting["reeds"] == "; ".join(reeds.index)
    # 38 minutes of ten reeds, shared when they are asked for and never in what is noted.
    assert bench.reeds.set_index("reed").loc["A1", "rough_min"] == pytest.approx(3.8)
    assert not bench.findings["table"].str.startswith("entries").any()


def test_it_opens_with_what_is_in_progress_and_resting_batches_last(phone):
    rows = phone.page.locator(".batch").all_inner_texts()
    assert [row.split("\n")[0].strip() for row in rows] == ["ROUGH", "FINISH", "PLAY"]
    phone.open_batch("PLAY", "1 of L21")
    phone.page.go_back()  # the phone's own way back
    expect(phone.title).to_have_text("At the bench")
    tie(phone)
    rows = phone.page.locator(".batch").all_inner_texts()
    assert "2 of L22" in rows[0] and "10 of L21" in rows[1]
    assert "A1 to A10" in rows[1] and "rests until" in rows[1]


def test_a_blank_is_timed_alone_and_the_batch_without_it(phone, folder):
    tie(phone)
    phone.open_batch("ROUGH", "10 of L21")
    phone.tap("one-blank", "reed-A4")
    phone.page.clock.set_system_time(f"{TODAY}T10:12:00")
    phone.tap("stop")
    expect(phone.page.locator("#reed-A4")).to_contain_text("12 min")
    for _ in range(6):
        phone.tap("more-time")
    phone.tap("reed-A10", "reed-A10", "done")  # not today
    expect(phone.said).to_have_text("9 of L21 roughed, 30 min.")
    phone.tap("undo")
    phone.open_batch("ROUGH", "10 of L21")
    expect(phone.page.locator("#minutes")).to_have_value("30")  # nothing is to be typed again
    phone.tap("done")
    gather(folder, phone.text(), "the text")
    sittings = opened(folder).tables["sittings"]
    assert sittings["minutes"].tolist() == [12.0, 30.0]
    assert sittings["reeds"].iloc[1] == "A1; A2; A3; A5; A6; A7; A8; A9"
    minutes = opened(folder).reeds.set_index("reed")["rough_min"]
    assert minutes["A4"] == 12.0 and minutes["A1"] == 30 / 8 and pd.isna(minutes["A10"])


def test_minutes_of_tying_places_and_what_is_tried_on_a_blank_take_a_few_taps(phone, folder):
    phone.tap("tie", "lot-L21", "places", "start-timer")
    phone.page.clock.set_system_time(f"{TODAY}T10:25:00")
    phone.page.reload()
    phone.tap("tie", "tied")  # the lot and the places are still there
    expect(phone.said).to_have_text("10 of L21 tied: A1 to A10, 25 min.")
    phone.tap("undo", "tie")
    expect(phone.page.locator("#minutes")).to_have_value("25")  # nothing is to be typed again
    phone.tap("lot-L21")
    phone.page.locator("#first-place").fill("11")
    phone.tap("tied")  # with the cursor still in the field
    assert "places 11 to 20" in phone.page.locator(".batch", has_text="10 of L21").inner_text()
    phone.open_batch("ROUGH", "10 of L21")
    phone.tap("tried", "seals-no", "next", "opening-small", "seals-yes", "crow-sharp")
    expect(phone.page.locator("#reed-A2")).to_contain_text("small, yes, sharp")
    phone.page.locator("#place").fill("44")
    phone.tap("back")
    expect(phone.page.locator("#reed-A2")).to_contain_text("place 44")
    phone.page.locator("#minutes").fill("9")
    phone.tap("more-time", "back")
    assert "14 min" in phone.page.locator(".batch", has_text="10 of L21").inner_text()
    phone.open_batch("PLAY", "1 of L21")
    phone.tap("tried", "crow-on", "back", "verdict-good", "open")
    gather(folder, phone.text(), "the text")
    bench = opened(folder)
    reeds = bench.tables["reeds"].set_index("reed").astype(object)
    places = reeds.loc[[f"A{i}" for i in range(1, 11)], "place"].tolist()
    assert places == ["11", "44", *map(str, range(13, 21))]
    tried = reeds[["opening", "seals", "crow"]].notna()
    assert reeds.loc["A2", tried.columns].tolist() == ["small", True, "sharp"]
    assert reeds.loc["A1", "seals"] is False and reeds.loc["R6", "crow"] == "on"
    assert tried.sum().sum() == 5
    (sitting,) = bench.tables["sittings"].to_dict("records")
    assert (sitting["stage"], sitting["minutes"]) == ("tie", 25.0)
    assert sitting["reeds"] == "; ".join(f"A{i}" for i in range(1, 11))
    assert bench.reeds["scrape_min"].isna().all()  # tying is no scraping
    assert not bench.findings["table"].str.contains("entries|sittings").any()


# ---- undo and corrections ----


def test_undo_and_a_correction_are_entries_too(phone, folder):
    phone.open_batch("PLAY", "1 of L21")
    phone.tap("verdict-no", "fault-buzzes")
    phone.tap("undo")  # the fault
    expect(phone.said).to_contain_text("Taken back: R6: buzzes")
    phone.tap("undo")  # the verdict
    phone.open_batch("PLAY", "1 of L21")
    phone.tap("verdict-good", "open")
    text = phone.text()
    undone = [line.split(",")[2] for line in text.splitlines()[1:] if line.split(",")[2]]
    numbers = [entry.split("-")[1] for entry in undone]
    assert numbers == ["2", "1"]
    gather(folder, text, "the text")
    reed = opened(folder).tables["reeds"].set_index("reed").loc["R6"]
    assert reed["outcome"] == "good" and pd.isna(reed["lost_at"]) and pd.isna(reed["fault"])


def test_an_entry_that_is_in_the_bench_already_is_taken_back_by_a_later_one(phone, folder):
    tie(phone)
    phone.open_batch("ROUGH", "2 of L22")
    phone.tap("done")
    gather(folder, phone.text(), "the text")
    write_phone(opened(folder))
    phone.page.reload()
    expect(phone.title).to_have_text("All sent")
    rows = phone.page.locator(".batch").all_inner_texts()
    assert [row.split("\n")[0] for row in rows if "2 of L22" in row] == ["FINISH"]
    phone.tap("send", "look-back")
    phone.page.locator("[aria-label^='Take back: 2 of L22 roughed']").tap()
    phone.tap("back", "back")
    expect(phone.title).to_have_text("2 not sent")
    assert "ROUGH" in phone.page.locator(".batch", has_text="2 of L22").inner_text()
    assert gather(folder, phone.text(), "the text") == Gathered(2, 12, ())
    assert opened(folder).tables["reeds"].set_index("reed")["rough_on"][["R3", "R4"]].isna().all()


# ---- what is sent ----


def test_a_saved_file_is_gathered_once_and_joins_what_the_pencil_noted(folder, contexts, address):
    phone = begun(contexts(accept_downloads=True), address, "B")
    phone.open_batch("ROUGH", "2 of L22")
    phone.tap("reed-R4", "done", "send")
    with phone.page.expect_download() as waiting:
        phone.tap("save")
    file = folder.parent / waiting.value.suggested_filename
    waiting.value.save_as(file)
    assert file.name.startswith("reeds-B") and file.suffix == ".csv"
    phone.tap("not-yet")
    expect(phone.title).to_have_text("2 of 2 not sent")
    phone.tap("save", "yes")
    expect(phone.title).to_have_text("All sent")
    later = {"noted_at": "2026-03-10 18:00", "reed": "R3", "outcome": "good", "crow": "sharp"}
    note(folder, "reeds", pd.DataFrame([later]))
    text = file.read_text("utf-8")
    assert gather(folder, text, "B") == Gathered(2, 0, ())
    assert gather(folder, text, "B") == Gathered(0, 2, ())
    reeds = opened(folder).tables["reeds"].set_index("reed")
    assert reeds.loc["R3", "rough_on"] == pd.Timestamp(TODAY) and reeds.loc["R3", "crow"] == "sharp"
    assert reeds.loc["R4", "outcome"] == "given_up"
    assert (folder / "reeds.csv").read_text() == REEDS


def test_the_share_sheet_gets_the_file_and_a_refusal_is_said(folder, contexts, address):
    script = """navigator.canShare = () => true;
        navigator.share = async ({ files }) => {
          if (!window.taken) { window.taken = true; throw new Error("no"); }
          window.shared = await files[0].text(); };"""
    phone = begun(contexts(), address, script=script)
    phone.open_batch("PLAY", "1 of L21")
    phone.tap("verdict-good", "open", "send", "share")
    expect(phone.said).to_contain_text("Not shared")
    phone.tap("share", "yes")
    shared = phone.page.evaluate("window.shared")
    other = shutil.copytree(folder, folder.parent / "other", ignore=lambda *_: ["phone"])
    with pytest.raises(RecordError, match=r"from a phone page of another bench.* \(--meant\)"):
        gather(other, shared, "shared")
    assert not (other / "entries").exists()
    assert gather(folder, shared, "shared").added == 1
    assert gather(other, shared, "shared", meant=True).added == 1
    assert gather(other, shared, "shared").known == 1  # said once


@pytest.mark.parametrize("note_text", ['=1+1, "quoted"', "-flat, </script>"])
def test_a_note_and_a_lot_with_any_characters_arrive_as_they_are(phone, folder, note_text):
    phone.tap("tie", f"lot-{CLOSING}", "fewer", "tied")
    phone.open_batch("PLAY", "1 of L21")
    phone.page.locator("summary").tap()
    phone.page.locator("#note").fill(note_text)
    phone.tap("verdict-good", "open")  # a note that is still in its field is kept too
    text = phone.text()
    assert gather(folder, text, "the text").differing == ()
    assert gather(folder, text, "the text") == Gathered(0, 11, ())
    reeds = opened(folder).tables["reeds"].set_index("reed")
    assert reeds.loc["A9", "lot"] == CLOSING and reeds.loc["R6", "note"].lstrip("'") == note_text


# ---- entries last, or the page says that they do not ----


def test_entries_and_the_stopwatch_outlast_reload_close_and_a_newer_page_elsewhere(phone, folder):
    tie(phone)
    phone.open_batch("ROUGH", "10 of L21")
    phone.tap("reed-A2", "start-timer")
    phone.page.reload()
    expect(phone.title).to_have_text("10 not sent")
    expect(phone.page.locator("#clock")).to_be_visible()
    context = phone.page.context
    phone.page.close()
    newer = write_phone(opened(folder), folder.parent / "newer.html")
    again = begun(context, newer.as_uri(), letter=None)
    expect(again.title).to_have_text("10 not sent")
    again.open_batch("ROUGH", "10 of L21")
    expect(again.page.locator("[id='reed-A2']")).to_contain_text("lost")


def test_where_nothing_is_kept_yet_the_page_says_what_that_may_mean(address, contexts):
    first = begun(contexts(), address)
    first.sees("At the bench")
    other = begun(contexts(), address, letter=None)  # another private window
    other.sees("No entries of this bench are kept here")
    tie(first)
    first.sees("A private window forgets them when it closes")


def test_storage_cleared_in_the_middle_loses_nothing_and_is_said(phone):
    tie(phone)
    cdp = phone.page.context.new_cdp_session(phone.page)
    cdp.send("Storage.clearDataForOrigin", {"origin": "file://", "storageTypes": "all"})
    phone.open_batch("ROUGH", "2 of L22")
    phone.tap("done")
    phone.sees("The browser cleared its storage.")
    phone.page.reload()
    expect(phone.title).to_have_text("12 not sent")
    phone.sees("The browser cleared its storage.")
    phone.tap("send", "copy", "yes")
    expect(phone.page.locator(".warning")).to_have_count(0)


REFUSED = "Object.defineProperty(window, 'indexedDB', { get() { throw new Error('refused'); } });"
FULL = """for (const way of ["add", "put"]) {
      const into = IDBObjectStore.prototype[way];
      IDBObjectStore.prototype[way] = function (...given) {
        if (window.full && this.name === "log") throw new DOMException("", "QuotaExceededError");
        return into.apply(this, given); }; }"""


def test_refused_storage_is_said_first_and_then_on_every_screen(address, contexts):
    phone = begun(contexts(), address, letter=None, script=REFUSED)
    phone.sees("This page cannot keep entries here")
    assert phone.page.locator("h1").evaluate("e => parseFloat(getComputedStyle(e).fontSize)") >= 20
    phone.tap("anyway", "letter-A")
    tie(phone)
    phone.sees("NOT KEPT: 10 entries are on this screen only")
    labels = re.findall(r",(A\d+),", phone.text())
    assert len(labels) == 10 and int(labels[0][1:]) > 9999  # no label of an earlier visit again
    phone.tap("rescue", "copy", "yes")
    phone.sees("NOT KEPT: 0 entries")


def test_a_full_storage_is_said_at_once_and_made_good_when_there_is_room(address, contexts):
    phone = begun(contexts(), address, script=FULL)
    phone.page.evaluate("window.full = true")
    tie(phone)
    phone.sees("NOT KEPT: 10 entries are on this screen only")
    phone.page.evaluate("window.full = false")
    phone.open_batch("PLAY", "1 of L21")
    phone.tap("verdict-good", "open")
    expect(phone.page.locator(".warning")).to_have_count(0)
    phone.page.reload()
    expect(phone.title).to_have_text("11 not sent")


def test_in_an_opaque_origin_the_page_says_so_and_copies(folder, contexts):
    page = contexts().new_page()
    page.set_default_timeout(10_000)
    page.set_content('<iframe sandbox="allow-scripts" width="360" height="640"></iframe>')
    inner = phone_page(opened(folder), (folder / "phone" / "id.txt").read_text().strip())
    page.locator("iframe").evaluate("(frame, text) => { frame.srcdoc = text; }", inner)
    frame = page.frame_locator("iframe")
    expect(frame.locator("h1")).to_have_text("This page cannot keep entries here.")
    frame.locator("#anyway").tap()
    frame.locator("#letter-A").tap()
    frame.locator("#tie").tap()
    frame.locator("[id='lot-L21']").tap()
    frame.locator("#tied").tap()
    expect(frame.locator(".warning")).to_contain_text("10 entries")
    frame.locator("#send").tap()
    assert gather(folder, frame.locator("#text").input_value(), "the text").added == 10


def test_without_scripts_the_page_says_what_to_do(address, contexts):
    page = contexts(java_script_enabled=False).new_page()
    page.goto(address)
    assert "open it in your browser" in page.inner_text("main")


def test_a_refused_download_or_copy_is_not_taken_for_sent(address, contexts):
    script = """navigator.clipboard.writeText = async () => { throw new Error("no"); };
        document.execCommand = () => false;"""
    phone = begun(contexts(accept_downloads=False), address,
                  script=script)  # fmt: skip
    tie(phone)
    phone.tap("send", "save")
    phone.sees("Is it there?")
    phone.tap("not-yet")
    expect(phone.title).to_have_text("10 of 10 not sent")
    phone.tap("copy")
    expect(phone.said).to_contain_text("The browser does not copy")
    phone.page.reload()
    expect(phone.title).to_have_text("10 not sent")


def test_sent_entries_stay_until_they_are_cleared_and_labels_count_on(phone):
    tie(phone)
    phone.tap("send", "copy", "yes")
    assert phone.text().count("\n") == 11
    tie(phone, "L22")
    expect(phone.title).to_have_text("10 not sent")
    phone.tap("send", "clear")
    phone.sees("does not know yet that your computer has them")
    phone.tap("clear-them")
    text = phone.text()
    assert re.findall(r"-(\d+),", text.split("\n")[1]) == ["11"] and text.count("\n") == 11
    tie(phone)
    assert re.findall(r",(A\d+),", phone.text())[-1] == "A30"


def test_two_open_pages_never_give_two_entries_one_number(phone):
    other = begun(phone.page.context, phone.page.url, letter=None)
    tie(phone)
    tie(other, "L22")
    phone.page.bring_to_front()
    tie(phone)
    numbers = re.findall(r"^\w+-(\d+),", phone.text(), re.MULTILINE)
    assert numbers == [str(n) for n in range(1, 31)]


# ---- on a web address of hers ----


class _Quiet(SimpleHTTPRequestHandler):
    def log_message(self, *_):
        pass


def test_from_a_web_address_it_opens_in_flight_mode_too(folder, contexts):
    serving = partial(_Quiet, directory=folder / "phone" / "site")
    with ThreadingHTTPServer(("127.0.0.1", 0), serving) as server:
        Thread(target=server.serve_forever, daemon=True).start()
        context = contexts(offline=False)
        phone = begun(context, f"http://localhost:{server.server_port}/")
        phone.page.evaluate("navigator.serviceWorker.ready.then(() => true)")
        server.shutdown()
    context.set_offline(True)
    tie(phone)
    phone.page.reload()
    expect(phone.title).to_have_text("10 not sent")


# ---- many entries, and every screen ----


def test_two_hundred_entries_on_a_slow_processor_make_no_tap_heavier(folder, contexts):
    """What a tap puts on the screen is the same at the first batch as after 200 entries."""
    page = folder / "phone" / "bench.html"
    page.write_text(page.read_text("utf-8").replace('"batch":10', '"batch":40'), "utf-8")
    phone = begun(contexts(), page.as_uri())
    cdp = phone.page.context.new_cdp_session(phone.page)
    cdp.send("Emulation.setCPUThrottlingRate", {"rate": 6})
    drawn = []
    for _ in range(2):
        tie(phone)
        for step in ("rough", "finish"):
            phone.open_batch(step.upper(), "40 of L21")
            phone.tap("done")
            expect(phone.said).to_contain_text("40 of L21")
        drawn.append(phone.page.locator("main *").count())
    expect(phone.title).to_have_text("240 not sent")
    assert drawn[0] == drawn[1]  # batches of one day and lot are one row
    phone.open_batch("PLAY", "80 of L21")
    phone.tap("verdict-good", "strength-medium")
    expect(phone.title).to_have_text("79 of L21")


SCREENS = (
    (), ("letter-A", "tie", "lot-L21", "places"), ("tied",), ("ROUGH", "reed-R3"), ("start-timer",),
    ("tried", "seals-yes"), ("back", "back", "PLAY"), ("verdict-no",), ("fault-flat", "send"),
    ("look-back",), ("back", "save"), ("yes", "send", "clear"),
)  # fmt: skip
SMALLEST = """[...document.querySelectorAll("button, summary, input")]
    .map((e) => [e.outerHTML, e.getBoundingClientRect()])
    .filter(([, box]) => box.width > 0 && Math.min(box.width, box.height) < %d)
    .map(([says]) => says)"""


def test_every_screen_is_for_thumbs_and_readable_in_light_and_dark(address, contexts):
    phone, axe = begun(contexts(), address, letter=None), Axe()
    for at, names in enumerate(SCREENS):
        for name in names:
            phone.open_batch(name, "of L2") if name.isupper() else phone.tap(name)
        phone.page.emulate_media(color_scheme="light" if at % 4 else "dark")
        problems = axe.run(phone.page).response["violations"]
        assert not problems, [(p["id"], p["nodes"][0]["html"]) for p in problems]
        assert phone.page.evaluate(SMALLEST % THUMB_PX) == []
        assert phone.page.evaluate("document.documentElement.scrollWidth") <= 360


def test_the_keyboard_and_a_screen_reader_are_enough(phone):
    page = phone.page
    page.locator("#tie").press("Enter")
    assert page.evaluate("document.activeElement.id") == "title"
    page.locator("[id='lot-L21']").press("Enter")
    assert page.evaluate("document.activeElement.id") == "lot-L21"  # focus stays where it was
    page.locator("#tied").press("Enter")
    expect(page.locator("[role=status]")).to_have_text("10 of L21 tied: A1 to A10.")
    page.locator(".batch").first.press("Enter")
    page.locator("#reed-R3").press("Space")
    expect(page.get_by_role("button", name="R3: lost")).to_be_visible()
