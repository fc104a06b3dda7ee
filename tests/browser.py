"""A headless browser for the tests of pages, driven through its own debugging pipe.

    with browser(Path("/usr/bin/chromium")) as one:
        one.open(path); one.run("document.title"); one.key("n"); one.screenshot(file)

Nothing but the standard library: messages of the DevTools protocol, JSON ended by a zero byte, go
through the file descriptors 3 and 4 (`--remote-debugging-pipe`). Linux and macOS only.
"""

import base64
import json
import os
import select
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

PATIENCE_S = 60
# Starts the browser with the two ends of the pipe where it looks for them. First out of the way:
# either may be where the other belongs.
MOVED = """
import fcntl, os, sys
ends = [fcntl.fcntl(int(end), fcntl.F_DUPFD, 10) for end in sys.argv[1:3]]
os.dup2(ends[0], 3), os.dup2(ends[1], 4)
os.execv(sys.argv[3], sys.argv[3:])
"""
NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
KEYS = {
    "Tab": ("Tab", 9, ""),
    "Enter": ("Enter", 13, "\r"),
    "ArrowRight": ("ArrowRight", 39, ""),
    "ArrowLeft": ("ArrowLeft", 37, ""),
    "End": ("End", 35, ""),
}


def found_browser() -> str:
    """The path of a browser that can be driven; the test is skipped where there is none."""
    path = next((found for name in NAMES if (found := shutil.which(name))), None)
    if path is None or os.name != "posix":
        pytest.skip("no chromium on this machine: pages are not tried in a browser")
    # One in a box of its own sees no temporary files; its name may be a small script that calls it.
    file = Path(path).resolve()
    if "snap" in file.parts or b"/snap/" in file.read_bytes()[:4096]:
        pytest.skip("the chromium of this machine cannot open temporary files")
    return path


@contextmanager
def browser(path: str) -> Iterator["Browser"]:
    """A browser with an empty profile of its own, gone afterwards."""
    # Its helpers may outlive it by an instant and write once more while the profile is removed.
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        to_read, to_write = os.pipe(), os.pipe()
        switches = ("--headless", "--no-sandbox", "--disable-gpu", "--remote-debugging-pipe")
        quiet = ("--no-first-run", "--disable-extensions", "--disable-background-networking")
        ends = (str(to_read[0]), str(to_write[1]))
        command = [path, *switches, *quiet, f"--user-data-dir={profile}", "about:blank"]
        process = subprocess.Popen(
            [sys.executable, "-c", MOVED, *ends, *command],
            pass_fds=(to_read[0], to_write[1]),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_read[0])
        os.close(to_write[1])
        with os.fdopen(to_read[1], "wb") as out, os.fdopen(to_write[0], "rb") as back:
            try:
                yield Browser(out, back)
            finally:
                process.terminate()
                process.wait(20)


class Browser:
    """One page of a browser. `events` are those that came along, oldest first."""

    def __init__(self, out: Any, back: Any) -> None:
        self._out, self._back, self._number, self._session = out, back, 0, ""
        self._rest = b""
        self.events: list[dict] = []
        (page,) = [t for t in self._ask("Target.getTargets")["targetInfos"] if t["type"] == "page"]
        attached = {"targetId": page["targetId"], "flatten": True}
        self._session = self._ask("Target.attachToTarget", attached)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self._ask(f"{domain}.enable")

    def _ask(self, method: str, values: dict | None = None) -> dict:
        """One command and its answer."""
        self._number += 1
        message = {"id": self._number, "method": method, "params": values or {}}
        if self._session:
            message["sessionId"] = self._session
        self._out.write(json.dumps(message).encode() + b"\0")
        self._out.flush()
        while True:
            answer = self._next()
            if answer.get("id") == self._number:
                assert "error" not in answer, f"{method}: {answer['error']}"
                return answer["result"]

    def _next(self) -> dict:
        while b"\0" not in self._rest:
            ready, _, _ = select.select([self._back], [], [], PATIENCE_S)
            assert ready, f"the browser said nothing for {PATIENCE_S} s"
            more = os.read(self._back.fileno(), 1 << 20)
            assert more, "the browser went away"
            self._rest += more
        text, self._rest = self._rest.split(b"\0", 1)
        message = json.loads(text)
        if "method" in message:
            self.events.append(message)
        return message

    def open(self, path: Path, light: str = "light", mark: str = "") -> None:
        """Open a file and wait until it has loaded. light: what the system asks for."""
        self.media(light=light)
        # By way of an empty page: a mark alone would be a jump within the page, without loading.
        self._go("Page.navigate", {"url": "about:blank"})
        self._go("Page.navigate", {"url": path.as_uri() + mark})

    def again(self, light: str = "light") -> None:
        """Load the same page once more. What it wrote into its storage is there: a page opened by
        way of another may be read before the browser has heard what the former one wrote."""
        self.media(light=light)
        self._go("Page.reload", {})

    def _go(self, method: str, values: dict) -> None:
        self.events.clear()
        self._ask(method, values)
        while not any(event["method"] == "Page.loadEventFired" for event in self.events):
            self._next()

    def prepare(self, script: str) -> str:
        """Run this in every page that is opened from now on, before its own scripts; returns what
        `forget` takes."""
        values = {"source": script}
        return self._ask("Page.addScriptToEvaluateOnNewDocument", values)["identifier"]

    def forget(self, prepared: str) -> None:
        self._ask("Page.removeScriptToEvaluateOnNewDocument", {"identifier": prepared})

    def media(self, light: str = "light", medium: str = "") -> None:
        """Emulate the system's choice of light, and paper with medium "print"."""
        features = [{"name": "prefers-color-scheme", "value": light}]
        self._ask("Emulation.setEmulatedMedia", {"media": medium, "features": features})

    def size(self, width: int, height: int) -> None:
        values = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        self._ask("Emulation.setDeviceMetricsOverride", values)

    def run(self, script: str) -> Any:
        """The value of an expression, as plain data."""
        values = {"expression": script, "returnByValue": True, "awaitPromise": True}
        answer = self._ask("Runtime.evaluate", values)
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def key(self, name: str, shift: bool = False) -> None:
        """Press and release one key."""
        code, number, text = KEYS.get(name) or (f"Key{name.upper()}", ord(name.upper()), name)
        values = {"key": name, "code": code, "windowsVirtualKeyCode": number}
        values["modifiers"] = 8 if shift else 0
        self._ask("Input.dispatchKeyEvent", {"type": "keyDown", "text": text, **values})
        self._ask("Input.dispatchKeyEvent", {"type": "keyUp", **values})

    def click(self, x: float, y: float) -> None:
        """Press and release the mouse at a place of the window."""
        place = {"x": x, "y": y, "button": "left", "clickCount": 1}
        for kind in ("mouseMoved", "mousePressed", "mouseReleased"):
            self._ask("Input.dispatchMouseEvent", {"type": kind, **place})

    def screenshot(self, whole: bool = False) -> bytes:
        """PNG bytes of the window, or of the whole page."""
        values = {"format": "png", "captureBeyondViewport": whole}
        return base64.b64decode(self._ask("Page.captureScreenshot", values)["data"])

    def pdf(self) -> bytes:
        """The page as it is printed on A4."""
        paper = {"paperWidth": 8.27, "paperHeight": 11.69, "preferCSSPageSize": True}
        values = {"printBackground": True, **paper}
        return base64.b64decode(self._ask("Page.printToPDF", values)["data"])

    def complaints(self) -> list[str]:
        """Errors that scripts or the page's policy raised, and every request but for the file."""
        told = []
        for event in self.events:
            values = event["params"]
            if event["method"] == "Runtime.exceptionThrown":
                told.append(values["exceptionDetails"].get("text", "exception"))
            elif event["method"] == "Log.entryAdded" and values["entry"]["level"] == "error":
                told.append(values["entry"]["text"])
            elif event["method"] == "Network.requestWillBeSent":
                url = values["request"]["url"]
                if not url.startswith(("file:", "data:")):
                    told.append(url)
        return told
