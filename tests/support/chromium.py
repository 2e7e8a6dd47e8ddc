"""A headless Chromium driven over its debugging pipe: what a person would see, without a driver package."""

from __future__ import annotations

import base64
import fcntl
import json
import os
import select
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

NAMES = ("chromium", "chromium-browser", "google-chrome-stable", "google-chrome", "chrome")
FLAGS = (
    "--headless=new",
    "--remote-debugging-pipe",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--hide-scrollbars",
    "--disable-background-networking",
    "--disable-component-update",
)
PATIENCE_S = 30.0
PRINTED_PX = 680
"""Width of the text on A4 with margins of 15 mm, at 96 px to the inch."""
STICKING_OUT = """[...document.querySelectorAll("table, figure, dl, p, ul, aside, summary")]
  .filter((part) => part.checkVisibility() && part.getBoundingClientRect().right > innerWidth + 0.5)
  .map((part) => part.textContent.slice(0, 60))"""
"""What is cut off at the right, in JavaScript."""
LAUNCH = """
import os, sys
os.dup2(int(sys.argv[1]), 3)
os.dup2(int(sys.argv[2]), 4)
os.execv(sys.argv[3], sys.argv[3:])
"""
"""The browser reads commands from file 3 and answers on file 4."""


def find() -> str | None:
    """The browser's program, or None where there is none."""
    return next((path for name in NAMES if (path := shutil.which(name))), None)


class Page:
    """One page of a browser of its own. Use it as a context manager.

    ``problems`` collects errors and warnings of the page's console, uncaught exceptions and broken security
    rules; ``requests`` collects every address it asked for.
    """

    def __init__(self, width: int = 1280, height: int = 900, *, dark: bool = False, touch: bool = False):
        self.problems: list[str] = []
        self.requests: list[str] = []
        self._number = 0
        self._answers: dict[int, dict[str, Any]] = {}
        self._events: list[str] = []
        self._session: str | None = None
        self._rest = b""
        self._folder = tempfile.mkdtemp(prefix="anviltrace-browser-")
        self._start()
        try:
            self._attach(width, height, dark, touch)
        except BaseException:
            self.close()
            raise

    def _start(self) -> None:
        program = find()
        assert program is not None
        flags = [*FLAGS, f"--user-data-dir={self._folder}"]
        if os.geteuid() == 0:
            flags.append("--no-sandbox")
        theirs, self._write = os.pipe()
        self._read, answers = os.pipe()
        # far from 3 and 4, so that neither is overwritten before it is put in its place
        high = [fcntl.fcntl(end, fcntl.F_DUPFD, 20) for end in (theirs, answers)]
        self._process = subprocess.Popen(
            [sys.executable, "-I", "-c", LAUNCH, *map(str, high), program, *flags, "about:blank"],
            pass_fds=high,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        for end in (theirs, answers, *high):
            os.close(end)

    def _attach(self, width: int, height: int, dark: bool, touch: bool) -> None:
        targets = self.call("Target.getTargets")["targetInfos"]
        target = next(info["targetId"] for info in targets if info["type"] == "page")
        attached = self.call("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")
        self.size(width, height, touch=touch)
        self.scheme(dark=dark)

    def size(self, width: int, height: int, *, touch: bool = False) -> None:
        """Make the page so many CSS pixels wide and high."""
        metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": touch}
        self.call("Emulation.setDeviceMetricsOverride", **metrics)

    def scheme(self, *, dark: bool) -> None:
        """Let the person prefer dark or light pages."""
        feature = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.call("Emulation.setEmulatedMedia", media="", features=[feature])

    def paper(self) -> None:
        """As printed on A4 with the margins of our pages, by somebody who prefers dark pages."""
        self.size(PRINTED_PX, 960)
        dark = {"name": "prefers-color-scheme", "value": "dark"}
        self.call("Emulation.setEmulatedMedia", media="print", features=[dark])

    def open(self, file: Path) -> None:
        """Load a file and wait until it has loaded; what was collected before is forgotten."""
        for kept in (self._events, self.problems, self.requests):
            kept.clear()
        self.call("Page.navigate", url=file.resolve().as_uri())
        self._until(lambda: "Page.loadEventFired" in self._events, "the page to load")

    def run(self, expression: str) -> Any:
        """What a JavaScript expression (awaited) comes to."""
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def wait_for(self, expression: str) -> Any:
        """Wait until a JavaScript expression is true; returns what it comes to."""
        found: list[Any] = []
        self._until(lambda: bool(found.append(self.run(expression)) or found[-1]), expression)
        return found[-1]

    def wheel(self, x: float, y: float, turn: float) -> None:
        """Turn the mouse wheel over a point of the window."""
        self.call("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y)
        self.call("Input.dispatchMouseEvent", type="mouseWheel", x=x, y=y, deltaX=0, deltaY=turn)

    def drag(self, start: tuple[float, float], end: tuple[float, float]) -> None:
        """Press the left button at one point, let go at another."""
        middle = ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
        held = {"button": "left", "buttons": 1}
        self.call("Input.dispatchMouseEvent", type="mouseMoved", x=start[0], y=start[1])
        self.call(
            "Input.dispatchMouseEvent", type="mousePressed", x=start[0], y=start[1], clickCount=1, **held
        )
        for x, y in (middle, end):
            self.call("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y, **held)
        self.call("Input.dispatchMouseEvent", type="mouseReleased", x=end[0], y=end[1], clickCount=1, **held)

    def screenshot(self, *, whole: bool = False) -> bytes:
        """A PNG of the window, or of the whole page."""
        answer = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        return base64.b64decode(answer["data"])

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """One command of the browser's debugging protocol, and its answer."""
        self._number += 1
        number = self._number
        message = {"id": number, "method": method, "params": params}
        if self._session is not None:
            message["sessionId"] = self._session
        os.write(self._write, json.dumps(message).encode() + b"\0")
        self._until(lambda: number in self._answers, method)
        answer = self._answers.pop(number)
        assert "error" not in answer, f"{method}: {answer.get('error')}"
        result: dict[str, Any] = answer["result"]
        return result

    def _until(self, done: Any, what: str) -> None:
        end = time.monotonic() + PATIENCE_S
        while not done():
            assert time.monotonic() < end, f"waited in vain for {what}; problems: {self.problems}"
            self._listen()

    def _listen(self) -> None:
        if not select.select([self._read], [], [], 0.05)[0]:
            return
        received = os.read(self._read, 1 << 20)
        assert received, "the browser went away"
        *whole, self._rest = (self._rest + received).split(b"\0")
        for text in whole:
            self._take(json.loads(text))

    def _take(self, message: dict[str, Any]) -> None:
        if "id" in message:
            self._answers[message["id"]] = message
            return
        method, params = message["method"], message["params"]
        self._events.append(method)
        if method == "Network.requestWillBeSent":
            self.requests.append(params["request"]["url"])
        elif method == "Runtime.exceptionThrown":
            self.problems.append(json.dumps(params["exceptionDetails"])[:500])
        elif method == "Log.entryAdded" and params["entry"]["level"] in ("error", "warning"):
            self.problems.append(params["entry"]["text"])
        elif method == "Runtime.consoleAPICalled" and params["type"] in ("error", "warning", "assert"):
            self.problems.append(json.dumps(params["args"])[:500])

    def close(self) -> None:
        """End the browser."""
        os.close(self._write)
        try:
            self._process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        os.close(self._read)
        shutil.rmtree(self._folder, ignore_errors=True)

    def __enter__(self) -> Page:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()
