"""A headless Chromium by its debugging pipe: what a page logs, asks for, and how wide it gets."""

from __future__ import annotations

import base64
import fcntl
import json
import os
import select
import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

WAIT = 60.0


def _high(descriptor: int) -> int:
    """The same end of a pipe under a number of 10 or more."""
    copy = fcntl.fcntl(descriptor, fcntl.F_DUPFD_CLOEXEC, 10)
    os.close(descriptor)
    return copy


class Chromium:
    """One browser with one page; use `with`."""

    def __enter__(self) -> Chromium:
        program = shutil.which("chromium") or shutil.which("chromium-browser")
        assert program, "no Chromium found; install the Debian package chromium"
        self.folder = tempfile.TemporaryDirectory()
        # the child gets them as 3 and 4, so they must not have these numbers here
        to_read, self.write_end = (_high(d) for d in os.pipe())
        self.read_end, to_write = (_high(d) for d in os.pipe())

        def prepare() -> None:
            os.dup2(to_read, 3)
            os.dup2(to_write, 4)

        self.process = subprocess.Popen(
            [
                program, "--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run",
                "--disable-extensions",
                "--disable-background-networking", "--disable-component-update", "--remote-debugging-pipe",
                f"--user-data-dir={self.folder.name}", "about:blank",
            ],
            preexec_fn=prepare,
            close_fds=False,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(to_read)
        os.close(to_write)
        self.number, self.rest, self.events = 0, b"", []
        targets = self.call("Target.getTargets", at_page=False)["targetInfos"]
        page = next(t["targetId"] for t in targets if t["type"] == "page")
        self.page = ""
        attached = self.call("Target.attachToTarget", {"targetId": page, "flatten": True}, at_page=False)
        self.page = attached["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")
        return self

    def __exit__(self, *_: object) -> None:
        self.process.terminate()
        self.process.wait(20)
        os.close(self.write_end)
        os.close(self.read_end)
        self.folder.cleanup()

    def call(
        self, method: str, params: dict[str, Any] | None = None, *, at_page: bool = True
    ) -> dict[str, Any]:
        """One command and its result; events on the way are kept."""
        self.number += 1
        message: dict[str, Any] = {"id": self.number, "method": method, "params": params or {}}
        if at_page:
            message["sessionId"] = self.page
        os.write(self.write_end, json.dumps(message).encode() + b"\0")
        ends = time.monotonic() + WAIT
        while time.monotonic() < ends:
            found = self._next(ends)
            if found.get("id") == self.number:
                assert "error" not in found, found
                return found["result"]
            self.events.append(found)
        raise AssertionError(f"{method} was not answered within {WAIT} s")

    def _next(self, ends: float) -> dict[str, Any]:
        while b"\0" not in self.rest:
            ready, _, _ = select.select([self.read_end], [], [], max(0.1, ends - time.monotonic()))
            assert ready, "the browser says nothing"
            self.rest += os.read(self.read_end, 1 << 16)
        line, self.rest = self.rest.split(b"\0", 1)
        return json.loads(line)

    def open(self, path: Path, width: int, height: int = 900) -> None:
        """Open a file in a window of this size and wait until it is there."""
        size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}
        self.call("Emulation.setDeviceMetricsOverride", size)
        self.call("Page.navigate", {"url": path.as_uri()})
        for _ in range(100):
            if self.value("document.readyState === 'complete' && location.protocol === 'file:'"):
                return
            time.sleep(0.05)
        raise AssertionError("the page was not loaded")

    def value(self, expression: str) -> Any:
        """Value of an expression in the page."""
        result = self.call("Runtime.evaluate", {"expression": expression, "returnByValue": True})
        return result["result"].get("value")

    def troubles(self) -> list[str]:
        """Console errors, exceptions and log entries so far."""
        out = []
        for e in self.events:
            if e.get("method") == "Runtime.exceptionThrown" or (
                e.get("method") == "Runtime.consoleAPICalled" and e["params"]["type"] in ("error", "warning")
            ):
                out.append(json.dumps(e["params"])[:300])
            if e.get("method") == "Log.entryAdded" and e["params"]["entry"]["level"] in ("error", "warning"):
                out.append(e["params"]["entry"]["text"])
        return out

    def requested(self) -> list[str]:
        """Addresses that the page asked for."""
        return [
            e["params"]["request"]["url"]
            for e in self.events
            if e.get("method") == "Network.requestWillBeSent"
        ]

    def pdf(self) -> bytes:
        """The page as printed."""
        return base64.b64decode(self.call("Page.printToPDF", {"printBackground": True})["data"])
