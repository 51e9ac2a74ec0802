"""How long a tap on the phone page takes, on a processor slowed six times.

Run: python tests/benchmarks/phone_speed.py
"""

import shutil
import tempfile
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

import reedlab as rl
from reedlab.report.bench_sheets.phone import write_phone

TAP = """async (name) => {
    const began = performance.now();
    document.getElementById(name).click();
    while (busy) await new Promise((resolve) => setTimeout(resolve));
    return performance.now() - began; }"""


def taps(page: Page, *names: str) -> list[float]:
    """Tap elements one after the other and return the milliseconds of each."""
    return [page.evaluate(TAP, name) for name in names]


def main() -> None:
    """Note 400 entries and print what a verdict takes with few and with many of them."""
    demo = rl.demo_bench()
    lot = demo.tables["lots"]["lot"].iloc[-1]
    command = shutil.which("chromium") or shutil.which("google-chrome")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        bench = rl.open_bench(shutil.copytree(demo.path, Path(folder) / "mine"), demo.today)
        browser = driver.chromium.launch(executable_path=command, args=["--no-sandbox"])
        page = browser.new_context(offline=True).new_page()
        page.goto(write_phone(bench).as_uri())
        page.locator("#letter-A").click()
        page.locator("#tie").wait_for()
        page.context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": 6})
        for batches in (1, 39):
            for _ in range(batches):
                tied = taps(page, "tie", f"lot-{lot}", "tied")
            page.evaluate("[...document.querySelectorAll('.batch')].at(-1).click()")
            page.locator("#verdict-good").wait_for()
            judged = taps(page, "verdict-good", "strength-medium", "back")
            print(f"{page.inner_text('#title')}: tied {tied[-1]:.0f} ms, judged {judged[0]:.0f} ms")
        browser.close()


if __name__ == "__main__":
    main()
