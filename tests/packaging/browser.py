"""Drive a headless Chromium over its own protocol: open a page, see what it asks, look at it."""

from __future__ import annotations

import base64
import contextlib
import json
import os
import shutil
import subprocess
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import websocket

FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--hide-scrollbars", "--remote-debugging-port=0", "--remote-allow-origins=*",
)  # fmt: skip


def chromium() -> str:
    """Return the browser's command; without one skip, but never where CI is set."""
    for name in ("chromium", "chromium-browser", "google-chrome"):
        if found := shutil.which(name):
            return found
    if os.environ.get("CI"):
        pytest.fail("no Chromium: the report must be opened in CI")
    pytest.skip("no Chromium here: install it to have the report opened")


class Page:
    """One page of a browser."""

    def __init__(self, address: str) -> None:
        self.socket = websocket.create_connection(address, timeout=60)
        self.sent = 0
        self.events: list[dict[str, Any]] = []
        for domain in ("Page", "Network", "Runtime", "Log"):
            self.command(f"{domain}.enable")

    def command(self, method: str, **parameters: Any) -> dict[str, Any]:
        self.sent += 1
        number = self.sent
        self.socket.send(json.dumps({"id": number, "method": method, "params": parameters}))
        while True:
            told = json.loads(self.socket.recv())
            if told.get("id") == number:
                if "error" in told:
                    raise RuntimeError(f"{method}: {told['error']}")
                return dict(told["result"])
            self.events.append(told)

    def open(self, url: str, width: int = 1280, height: int = 900, dark: bool = False) -> None:
        self.command(
            "Emulation.setDeviceMetricsOverride",
            width=width, height=height, deviceScaleFactor=1, mobile=width < 600,
        )  # fmt: skip
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.command("Emulation.setEmulatedMedia", features=[scheme])
        self.events.clear()
        self.command("Page.navigate", url=url)
        while not any(event["method"] == "Page.loadEventFired" for event in self.events):
            self.events.append(json.loads(self.socket.recv()))

    def evaluate(self, script: str) -> Any:
        found = self.command(
            "Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True
        )
        return found["result"].get("value")

    def requests(self) -> list[str]:
        """Every address asked for since the page was opened."""
        self.evaluate("new Promise(done => setTimeout(done, 300))")
        return [
            event["params"]["request"]["url"]
            for event in self.events
            if event["method"] == "Network.requestWillBeSent"
        ]

    def problems(self) -> list[str]:
        """What the browser logged against the page: refused loads, broken policies."""
        return [
            event["params"]["entry"]["text"]
            for event in self.events
            if event["method"] == "Log.entryAdded"
        ]

    def picture(self, path: Path, whole: bool = True) -> None:
        shot = self.command("Page.captureScreenshot", captureBeyondViewport=whole)
        path.write_bytes(base64.b64decode(shot["data"]))


@contextlib.contextmanager
def browser() -> Iterator[Page]:
    """Start a browser with nothing of the user's, lend its page, and end it."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as own:
        command = [chromium(), *FLAGS, f"--user-data-dir={own}", "about:blank"]
        with subprocess.Popen(
            command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        ) as process:
            try:
                port = _port(Path(own) / "DevToolsActivePort")
                with urllib.request.urlopen(f"http://127.0.0.1:{port}/json") as answer:
                    (page, *_) = [one for one in json.load(answer) if one["type"] == "page"]
                yield Page(page["webSocketDebuggerUrl"])
            finally:
                process.terminate()


def _port(file: Path) -> int:
    for _ in range(300):
        if file.is_file() and file.read_text().strip():
            return int(file.read_text().split()[0])
        time.sleep(0.1)
    raise RuntimeError("the browser did not start")
