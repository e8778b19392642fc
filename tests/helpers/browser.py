"""A headless Chromium that is told what to do through a pipe, and says what a page did.

The protocol is the one of Chromium's own developer tools: JSON with a zero byte behind each
message, in on file descriptor 3 and out on 4. Nothing beyond the standard library is needed.
"""

from __future__ import annotations

import base64
import contextlib
import dataclasses
import json
import os
import select
import shutil
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

_OPTIONS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--disable-dev-shm-usage",
    "--disable-extensions",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--no-default-browser-check",
    "--remote-debugging-pipe",
    # A name that is asked for is not found, so that nothing leaves the machine.
    "--host-resolver-rules=MAP * ~NOTFOUND",
)
_PATIENCE = 60.0
FACES = ("DejaVu Serif", "STIXGeneral")
"""Book faces that come with matplotlib: one about as wide as there is, one like those of books."""
_FONTS = """<?xml version="1.0"?>
<!DOCTYPE fontconfig SYSTEM "fonts.dtd">
<fontconfig><dir>{folder}</dir><cachedir>{cache}</cachedir>{aliases}</fontconfig>
"""
_ALIAS = """<match target="pattern"><test name="family"><string>{name}</string></test>
<edit name="family" mode="assign" binding="strong"><string>{face}</string></edit></match>
"""


def chromium() -> str:
    """Path of the browser; without one the test is skipped, but fails where CI=true is set."""
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    if found is None:
        if os.environ.get("CI", "").lower() == "true":
            pytest.fail("no Chromium on this machine; install the package chromium", pytrace=False)
        pytest.skip("no Chromium on this machine")
    return found


def fonts_of_its_own(home: Path, face: str) -> Path:
    """Settings with which a program sees the fonts of matplotlib and no others.

    So what is measured does not hang on the fonts of the machine; it need not have any.
    """
    import matplotlib

    names = dict.fromkeys(("serif", "Georgia", "Times New Roman"), face)
    names |= {"sans-serif": "DejaVu Sans", "monospace": "DejaVu Sans Mono"}
    settings = _FONTS.format(
        folder=Path(matplotlib.get_data_path()) / "fonts" / "ttf",
        cache=home / "fonts",
        aliases="".join(_ALIAS.format(name=name, face=own) for name, own in names.items()),
    )
    (home / "fonts.conf").write_text(settings, encoding="utf-8")
    return home / "fonts.conf"


@dataclasses.dataclass
class Visit:
    """One page that was opened: what it asked for, and what it complained of."""

    browser: Browser
    session: str
    requests: list[str] = dataclasses.field(default_factory=list)
    complaints: list[str] = dataclasses.field(default_factory=list)

    def evaluate(self, script: str) -> Any:
        """Value of an expression of JavaScript in the page."""
        answer = self.browser.call(
            "Runtime.evaluate",
            {"expression": script, "returnByValue": True, "awaitPromise": True},
            self.session,
        )
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def faces(self, selector: str) -> set[str]:
        """Names of the fonts in which the first such element is set."""
        for domain in ("DOM", "CSS"):
            self.browser.call(f"{domain}.enable", None, self.session)
        root = self.browser.call("DOM.getDocument", None, self.session)["root"]["nodeId"]
        found = self.browser.call(
            "DOM.querySelector", {"nodeId": root, "selector": selector}, self.session
        )
        fonts = self.browser.call("CSS.getPlatformFontsForNode", found, self.session)["fonts"]
        return {font["familyName"] for font in fonts}

    def printed(self) -> bytes:
        """The page as PDF, on the paper that its own style names."""
        answer = self.browser.call(
            "Page.printToPDF", {"preferCSSPageSize": True, "printBackground": True}, self.session
        )
        return base64.b64decode(answer["data"])

    def prefer(self, scheme: str) -> None:
        """Show the page to somebody who prefers a dark or a light screen."""
        features = [{"name": "prefers-color-scheme", "value": scheme}]
        self.browser.call("Emulation.setEmulatedMedia", {"features": features}, self.session)

    def resize(self, width: int, height: int = 900) -> None:
        """Show the page in a window of this size."""
        self.browser.call(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False},
            self.session,
        )


class Browser:
    """The running program."""

    def __init__(self, home: Path, face: str) -> None:
        self.face = face
        fonts = fonts_of_its_own(home, face)
        down_read, self._down = os.pipe()
        self._up, up_write = os.pipe()

        def connect() -> None:
            # Copies first: the ends may stand on 3 and 4 themselves.
            own = os.dup(down_read), os.dup(up_write)
            high = [os.dup(fd) for fd in own]
            os.dup2(high[0], 3)
            os.dup2(high[1], 4)

        self._process = subprocess.Popen(
            [chromium(), *_OPTIONS, f"--user-data-dir={home}", "about:blank"],
            preexec_fn=connect,
            env=os.environ | {"FONTCONFIG_FILE": str(fonts)},
            close_fds=False,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(down_read)
        os.close(up_write)
        self._number = 0
        self._rest = b""
        self._visits: dict[str, Visit] = {}
        self._loaded: set[str] = set()

    def call(
        self, method: str, parameters: dict[str, Any] | None = None, session: str | None = None
    ) -> Any:
        """Send a command and wait for its answer; events on the way are noted."""
        self._number += 1
        message: dict[str, Any] = {
            "id": self._number,
            "method": method,
            "params": parameters or {},
        }
        if session is not None:
            message["sessionId"] = session
        os.write(self._down, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next()
            if answer.get("id") == self._number:
                assert "error" not in answer, (method, answer)
                return answer["result"]
            self._note(answer)

    def open(self, address: str) -> Visit:
        """Open a page in a new tab and wait until it has loaded."""
        target = self.call("Target.createTarget", {"url": "about:blank"})["targetId"]
        session = self.call("Target.attachToTarget", {"targetId": target, "flatten": True})
        visit = Visit(self, session["sessionId"])
        self._visits[visit.session] = visit
        for domain in ("Page", "Network", "Log", "Runtime"):
            self.call(f"{domain}.enable", None, visit.session)
        self._loaded.discard(visit.session)
        self.call("Page.navigate", {"url": address}, visit.session)
        while visit.session not in self._loaded:
            self._note(self._next())
        return visit

    def close(self) -> None:
        """End this program and no other."""
        with contextlib.suppress(OSError, AssertionError):
            os.write(self._down, b'{"id": 0, "method": "Browser.close"}\0')
        try:
            self._process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        os.close(self._down)
        os.close(self._up)

    def _next(self) -> dict[str, Any]:
        end = time.monotonic() + _PATIENCE
        while b"\0" not in self._rest:
            ready, _, _ = select.select([self._up], [], [], max(end - time.monotonic(), 0.0))
            assert ready, "the browser does not answer"
            more = os.read(self._up, 1 << 20)
            assert more, "the browser has ended"
            self._rest += more
        message, _, self._rest = self._rest.partition(b"\0")
        answer: dict[str, Any] = json.loads(message)
        return answer

    def _note(self, event: dict[str, Any]) -> None:
        visit = self._visits.get(event.get("sessionId", ""))
        method, body = event.get("method"), event.get("params", {})
        if visit is None:
            return
        if method == "Network.requestWillBeSent":
            visit.requests.append(body["request"]["url"])
        elif method == "Log.entryAdded":
            visit.complaints.append(body["entry"]["text"])
        elif method == "Runtime.exceptionThrown":
            visit.complaints.append(str(body["exceptionDetails"]))
        elif method == "Runtime.consoleAPICalled":
            visit.complaints.append(str(body["args"]))
        elif method == "Page.loadEventFired":
            self._loaded.add(visit.session)


@contextlib.contextmanager
def running(home: Path, face: str = FACES[0]) -> Iterator[Browser]:
    """A browser for some tests, with an empty home and `face` for its book face."""
    browser = Browser(home, face)
    try:
        yield browser
    finally:
        browser.close()


def pages(pdf: bytes) -> int:
    """How many pages a PDF has."""
    import re

    return len(re.findall(rb"/Type\s*/Page\b", pdf))


# Contrast ratio of every text against what is painted behind it, by the formulas for relative
# luminance and contrast in WCAG 2.1 (W3C Recommendation, 2018). Gives the texts below 4.5, which
# is what success criterion 1.4.3 (level AA) asks of text that is not large.
FAINT_TEXTS = """(() => {
  const light = c => { c /= 255; return c <= 0.03928 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4; };
  const luminance = ([r, g, b]) => 0.2126 * light(r) + 0.7152 * light(g) + 0.0722 * light(b);
  const parse = s => [...s.match(/[\\d.]+/g).map(Number), 1].slice(0, 4);
  const behind = e => {
    for (; e; e = e.parentElement) {
      const c = parse(getComputedStyle(e).backgroundColor);
      if (c[3] > 0) return c;
    }
    return [255, 255, 255, 1];
  };
  const faint = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const text = walk.currentNode.textContent.trim(), e = walk.currentNode.parentElement;
    if (!text || !e.getClientRects().length || e.closest("svg, style, script")) continue;
    const [a, b] = [parse(getComputedStyle(e).color), behind(e)].map(luminance);
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < 4.5) faint.push([text.slice(0, 40), ratio]);
  }
  return faint;
})()"""
