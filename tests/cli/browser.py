"""Headless Chromium, driven over the DevTools protocol through a pair of pipes; standard library only.

`docs/make_gallery.py` makes its pictures with it too. Nothing in here may reach a network: the browser is told to look
up no name, and every request a page makes is written down.
"""

from __future__ import annotations

import base64
import json
import os
import select
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from types import TracebackType
from typing import Any, Self

NAMES = ("chromium", "chromium-browser")
FLAGS = (
    "--headless --no-sandbox --disable-gpu --disable-background-networking --disable-component-update --disable-sync "
    "--no-first-run --disable-default-apps --disable-extensions --hide-scrollbars --mute-audio --disable-dev-shm-usage "
    "--font-render-hinting=none --remote-debugging-pipe"
).split()
NO_NAMES = "--host-resolver-rules=MAP * ~NOTFOUND"
TIMEOUT_S = 60.0
# The browser reads commands on descriptor 3 and answers on 4; a shell would know descriptors of one digit only.
_ON_3_AND_4 = """
import fcntl, os, sys
ends = [fcntl.fcntl(int(each), fcntl.F_DUPFD_CLOEXEC, 10) for each in sys.argv[1:3]]
for place, end in zip((3, 4), ends):
    os.dup2(end, place)
os.execv(sys.argv[3], sys.argv[3:])
"""


def find() -> str | None:
    """Where Chromium is; None where there is none."""
    return next((found for name in NAMES if (found := shutil.which(name))), None)


class BrowserError(Exception):
    """The browser said no, or nothing at all."""


class Browser:
    """A context manager that runs the browser and ends it."""

    def __init__(self) -> None:
        program = find()
        if program is None:
            raise BrowserError("no Chromium here (Debian: apt-get install chromium)")
        self._profile = tempfile.TemporaryDirectory(prefix="auditor-browser-", ignore_cleanup_errors=True)
        to_child, self._out = os.pipe()
        self._in, from_child = os.pipe()
        line = [program, *FLAGS, NO_NAMES, f"--user-data-dir={self._profile.name}", "about:blank"]
        self._process = subprocess.Popen(
            [sys.executable, "-c", _ON_3_AND_4, str(to_child), str(from_child), *line],
            pass_fds=(to_child, from_child),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_child)
        os.close(from_child)
        self._held = b""
        self._number = 0
        self.pages: dict[str, Page] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if error is None:
                self.call("Browser.close")
        except (BrowserError, OSError):
            pass
        os.close(self._out)
        os.close(self._in)
        try:
            self._process.wait(timeout=10.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._profile.cleanup()

    def call(self, method: str, parameters: dict[str, Any] | None = None, *, session: str | None = None) -> Any:
        """Send a command and wait for its answer; what happens meanwhile goes to the pages."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": parameters or {}}
        if session is not None:
            message["sessionId"] = session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        ends_at = time.monotonic() + TIMEOUT_S
        while True:
            found = self._next(ends_at - time.monotonic(), method)
            if found.get("id") == self._number:
                if "error" in found:
                    raise BrowserError(f"{method}: {found['error'].get('message')}")
                return found.get("result", {})

    def listen(self, seconds: float) -> None:
        """Take in what happens for a while."""
        ends_at = time.monotonic() + seconds
        while (left := ends_at - time.monotonic()) > 0.0:
            try:
                self._next(left, "")
            except TimeoutError:
                return

    def _next(self, seconds: float, waiting_for: str) -> dict[str, Any]:
        while b"\0" not in self._held:
            ready, _, _ = select.select([self._in], [], [], max(seconds, 0.0))
            if not ready:
                raise TimeoutError(f"Chromium did not answer {waiting_for}")
            more = os.read(self._in, 1 << 20)
            if not more:
                raise BrowserError("Chromium has gone")
            self._held += more
        raw, _, self._held = self._held.partition(b"\0")
        message: dict[str, Any] = json.loads(raw)
        page = self.pages.get(message.get("sessionId", ""))
        if page is not None and "method" in message:
            page.heard(message["method"], message["params"])
        return message

    def open(self, path: Path, *, width: int = 1280, height: int = 900, dark: bool = False, scale: float = 1.0) -> Page:
        """Open a file in a window of this size and wait until it is loaded."""
        target = self.call("Target.createTarget", {"url": "about:blank"})["targetId"]
        session = self.call("Target.attachToTarget", {"targetId": target, "flatten": True})["sessionId"]
        page = Page(self, session, target)
        self.pages[session] = page
        for domain in ("Page", "Runtime", "Log", "Network"):
            page.call(f"{domain}.enable")
        page.call(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": height, "deviceScaleFactor": scale, "mobile": width < 500},
        )
        page.theme(dark=dark)
        page.theme(dark=dark)
        page.call("Page.bringToFront")
        page.call("Page.navigate", {"url": path.resolve().as_uri()})
        page.wait("document.readyState === 'complete' && location.protocol === 'file:'")
        return page


class Page:
    """One open page: what it asked for, what it complained about, and the hands to use it with."""

    def __init__(self, browser: Browser, session: str, target: str) -> None:
        self._browser, self._session, self._target = browser, session, target
        self.requests: list[str] = []
        self.complaints: list[str] = []

    def heard(self, method: str, parameters: dict[str, Any]) -> None:
        """An event of the protocol."""
        if method == "Network.requestWillBeSent":
            self.requests.append(parameters["request"]["url"])
        elif method == "Runtime.exceptionThrown":
            details = parameters["exceptionDetails"]
            self.complaints.append(details.get("exception", {}).get("description", details.get("text", "?")))
        elif method == "Runtime.consoleAPICalled" and parameters["type"] in ("error", "warning", "assert"):
            self.complaints.append(str([each.get("value", each.get("description")) for each in parameters["args"]]))
        elif method == "Log.entryAdded" and parameters["entry"]["level"] in ("error", "warning"):
            self.complaints.append(parameters["entry"]["text"])

    def call(self, method: str, parameters: dict[str, Any] | None = None) -> Any:
        """A command to this page."""
        return self._browser.call(method, parameters, session=self._session)

    def evaluate(self, script: str) -> Any:
        """The value of an expression in the page."""
        found = self.call("Runtime.evaluate", {"expression": script, "returnByValue": True, "awaitPromise": True})
        if "exceptionDetails" in found:
            details = found["exceptionDetails"]
            raise BrowserError(details.get("exception", {}).get("description", details.get("text")))
        return found["result"].get("value")

    def wait(self, script: str, *, seconds: float = 30.0) -> None:
        """Wait until an expression is true."""
        ends_at = time.monotonic() + seconds
        while not self.evaluate(script):
            if time.monotonic() > ends_at:
                raise TimeoutError(f"never true: {script}")
            self._browser.listen(0.05)

    def theme(self, *, dark: bool) -> None:
        """Say what the system prefers."""
        value = "dark" if dark else "light"
        self.call("Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": value}]})

    def click(self, x: float, y: float) -> None:
        """Move the mouse to a place in the window, and click."""
        where = {"x": x, "y": y, "button": "left", "clickCount": 1}
        self.call("Input.dispatchMouseEvent", {"type": "mouseMoved", "x": x, "y": y})
        self._browser.listen(0.2)
        self.call("Input.dispatchMouseEvent", {"type": "mousePressed", **where})
        self.call("Input.dispatchMouseEvent", {"type": "mouseReleased", **where})
        self._browser.listen(0.4)

    def drag(self, from_x: float, to_x: float, y: float) -> None:
        """Press the button, move along, and let go."""
        self.call("Input.dispatchMouseEvent", {"type": "mouseMoved", "x": from_x, "y": y})
        held = {"y": y, "button": "left", "clickCount": 1}
        self.call("Input.dispatchMouseEvent", {"type": "mousePressed", "x": from_x, **held})
        for share in (0.3, 0.6, 1.0):
            x = from_x + share * (to_x - from_x)
            self.call("Input.dispatchMouseEvent", {"type": "mouseMoved", "x": x, "buttons": 1, **held})
            self._browser.listen(0.05)
        self.call("Input.dispatchMouseEvent", {"type": "mouseReleased", "x": to_x, **held})
        self._browser.listen(0.4)

    def click_on(self, selector: str) -> None:
        """Click into the middle of an element."""
        x, y = self.evaluate(
            f"(() => {{ const e = document.querySelector({json.dumps(selector)});"
            "e.scrollIntoView({block: 'center'}); const b = e.getBoundingClientRect();"
            "return [b.left + b.width / 2, b.top + b.height / 2]; })()"
        )
        self.click(x, y)

    def press(self, key: str, *, code: int, text: str = "") -> None:
        """Press a key and let it go."""
        sent = {"key": key, "windowsVirtualKeyCode": code}
        self.call("Input.dispatchKeyEvent", {"type": "keyDown", **sent, **({"text": text} if text else {})})
        self.call("Input.dispatchKeyEvent", {"type": "keyUp", **sent})
        self._browser.listen(0.1)

    def screenshot(self, path: Path, *, whole: bool = True, most_height: int = 16000, top: int = 0) -> None:
        """Write a picture of the page, or of the window."""
        size = self.call("Page.getLayoutMetrics")["cssContentSize"]
        more: dict[str, Any] = {}
        if whole:
            height = min(size["height"] - top, most_height)
            clip = {"x": 0, "y": top, "width": size["width"], "height": height, "scale": 1}
            more = {"captureBeyondViewport": True, "clip": clip}
        path.write_bytes(base64.b64decode(self.call("Page.captureScreenshot", {"format": "png", **more})["data"]))

    def pdf(self, path: Path) -> None:
        """Print the page on A4."""
        settings = {"printBackground": True, "preferCSSPageSize": True, "paperWidth": 8.27, "paperHeight": 11.69}
        path.write_bytes(base64.b64decode(self.call("Page.printToPDF", settings)["data"]))

    def close(self) -> None:
        """Close the page."""
        self._browser.call("Target.closeTarget", {"targetId": self._target})
