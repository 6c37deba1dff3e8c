"""One browser without window for many pages, spoken to by Chrome's own DevTools Protocol over two pipes."""

import base64
import fcntl
import json
import os
import select
import subprocess
import time
from pathlib import Path
from types import TracebackType
from typing import Any

QUIET = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--hide-scrollbars",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
WAIT_S = 90.0
ABOVE_FD = 20  # 3 and 4 are the browser's ends; ours must not stand in their way
PAPERS_IN = {"A4": (8.27, 11.69), "Letter": (8.5, 11.0)}
KEYS = {"Tab": 9, "Enter": 13, "Escape": 27, "Space": 32, "ArrowDown": 40}


class Browser:
    """A running chromium; leave the `with` block and it is gone."""

    def __init__(self, program: str, profile: Path) -> None:
        theirs_in, self._out = (fcntl.fcntl(fd, fcntl.F_DUPFD, ABOVE_FD) for fd in os.pipe())
        self._in, theirs_out = (fcntl.fcntl(fd, fcntl.F_DUPFD, ABOVE_FD) for fd in os.pipe())

        def join() -> None:
            os.dup2(theirs_in, 3)
            os.dup2(theirs_out, 4)

        self._process = subprocess.Popen(
            [program, *QUIET, "--remote-debugging-pipe", f"--user-data-dir={profile}"],
            pass_fds=(3, 4), preexec_fn=join, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(theirs_in)
        os.close(theirs_out)
        self._rest = b""
        self._number = 0
        self._seen: dict[str, list[dict[str, Any]]] = {}

    def __enter__(self) -> "Browser":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._process.terminate()
        self._process.wait(timeout=WAIT_S)
        os.close(self._in)
        os.close(self._out)

    def call(self, method: str, session: str = "", **arguments: Any) -> dict[str, Any]:
        """One command and its answer; whatever else is told meanwhile is kept for `events`."""
        self._number += 1
        number = self._number
        message = {"id": number, "method": method, "params": arguments} | ({"sessionId": session} if session else {})
        os.write(self._out, json.dumps(message).encode() + b"\0")
        until = time.monotonic() + WAIT_S
        while True:
            told = self._next(until)
            if told.get("id") == number:
                if "error" in told:
                    raise RuntimeError(f"{method}: {told['error']['message']}")
                answer: dict[str, Any] = told["result"]
                return answer

    def events(self, session: str) -> list[dict[str, Any]]:
        """What a page has told so far."""
        return self._seen.setdefault(session, [])

    def wait_for(self, method: str, session: str) -> None:
        """Until a page tells `method`, unless it has already."""
        until = time.monotonic() + WAIT_S
        while not any(one["method"] == method for one in self.events(session)):
            self._next(until)

    def tab(self, width_px: int = 1280, height_px: int = 900) -> "Tab":
        """A new empty page."""
        return Tab(self, width_px, height_px)

    def _next(self, until: float) -> dict[str, Any]:
        while b"\0" not in self._rest:
            if not select.select([self._in], [], [], max(0.0, until - time.monotonic()))[0]:
                raise TimeoutError("the browser does not answer")
            more = os.read(self._in, 1 << 20)
            if not more:
                raise RuntimeError("the browser has ended")
            self._rest += more
        line, _, self._rest = self._rest.partition(b"\0")
        told: dict[str, Any] = json.loads(line)
        if "method" in told:
            self._seen.setdefault(told.get("sessionId", ""), []).append(told)
        return told


class Tab:
    """One page, as a reader with this window meets it."""

    def __init__(self, browser: Browser, width_px: int, height_px: int) -> None:
        self._browser = browser
        self._target = browser.call("Target.createTarget", url="about:blank")["targetId"]
        attached = browser.call("Target.attachToTarget", targetId=self._target, flatten=True)
        self._session = attached["sessionId"]
        for room in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{room}.enable")
        self.resize(width_px, height_px)

    def call(self, method: str, **arguments: Any) -> dict[str, Any]:
        return self._browser.call(method, self._session, **arguments)

    def resize(self, width_px: int, height_px: int = 900) -> None:
        self.call("Emulation.setDeviceMetricsOverride", width=width_px, height=height_px, deviceScaleFactor=1,
                  mobile=False)  # fmt: skip

    def prefer(self, **features: str) -> None:
        """What the reader's system asks of pages: prefer(color_scheme="dark")."""
        wanted = [{"name": f"prefers-{name.replace('_', '-')}", "value": value} for name, value in features.items()]
        self.call("Emulation.setEmulatedMedia", features=wanted)

    def without_scripts(self) -> None:
        self.call("Emulation.setScriptExecutionDisabled", value=True)

    def open(self, address: str) -> "Tab":
        """Go there and wait until all of it has come."""
        self._browser.events(self._session).clear()
        self.call("Page.navigate", url=address)
        self._browser.wait_for("Page.loadEventFired", self._session)
        return self

    def value(self, script: str) -> Any:
        """What an expression of the page's language comes to; a promise is waited for."""
        told = self.call("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in told:
            raise RuntimeError(str(told["exceptionDetails"]))
        return told["result"].get("value")

    def until(self, script: str) -> None:
        """Wait until an expression comes true."""
        end = time.monotonic() + WAIT_S
        while not self.value(script):
            if time.monotonic() > end:
                raise TimeoutError(script)
            time.sleep(0.02)

    def press(self, key: str, times: int = 1) -> None:
        """A key of the keyboard, by the path a real one takes."""
        told = {"key": " " if key == "Space" else key, "code": key, "windowsVirtualKeyCode": KEYS[key]}
        text = {"Enter": "\r", "Space": " "}.get(key)
        for _ in range(times):
            self.call("Input.dispatchKeyEvent", type="keyDown", **told, **({"text": text} if text else {}))
            self.call("Input.dispatchKeyEvent", type="keyUp", **told)

    def write(self, text: str) -> None:
        """Text into what has the focus."""
        self.call("Input.insertText", text=text)

    def paper(self, name: str = "A4") -> bytes:
        """The page as a PDF on A4 or Letter."""
        width, height = PAPERS_IN[name]
        told = self.call("Page.printToPDF", paperWidth=width, paperHeight=height, preferCSSPageSize=False)
        return base64.b64decode(told["data"])

    def picture(self, *, whole: bool = False) -> bytes:
        """What is seen, or all of the page, as a PNG."""
        return base64.b64decode(self.call("Page.captureScreenshot", captureBeyondViewport=whole)["data"])

    def complaints(self) -> list[str]:
        """Everything a page has complained of: console, errors, refused loads."""
        found = []
        for one in self._browser.events(self._session):
            told = one["params"]
            if one["method"] == "Runtime.exceptionThrown":
                found.append(str(told["exceptionDetails"]))
            elif one["method"] == "Runtime.consoleAPICalled" and told["type"] in ("error", "warning", "assert"):
                found.append(str(told["args"]))
            elif one["method"] == "Log.entryAdded" and told["entry"]["level"] in ("error", "warning"):
                found.append(told["entry"]["text"])
        return found

    def asked(self) -> list[str]:
        """Addresses asked for, the page's own apart."""
        told = [one["params"] for one in self._browser.events(self._session)
                if one["method"] == "Network.requestWillBeSent"]  # fmt: skip
        return [one["request"]["url"] for one in told if one["type"] != "Document"]

    def close(self) -> None:
        self._browser.call("Target.closeTarget", targetId=self._target)
