"""A headless browser for the tests, spoken to over its own debugging socket."""

import base64
import json
import shutil
import subprocess
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from websockets.sync.client import connect
from websockets.sync.connection import Connection

NAMES = ("chromium", "chromium-browser", "google-chrome")
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--remote-debugging-port=0",
    # Every name but the loopback's resolves to nothing: a request outward cannot succeed.
    "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1",
)


def found() -> str | None:
    """The browser's path, or None."""
    return next((path for name in NAMES if (path := shutil.which(name))), None)


def has_type(family: str) -> bool:
    """Whether the browser sets a page in this type, not in another that is wider or narrower."""
    if shutil.which("fc-list") is None:
        return False
    return bool(subprocess.run(["fc-list", family], capture_output=True, check=True).stdout)


class NavigatedError(RuntimeError):
    """The page went elsewhere while it was asked."""


class Tab:
    """One tab: it keeps every request and every complaint that it saw."""

    def __init__(self, socket: Connection) -> None:
        self._socket = socket
        self._last = 0
        self.requests: list[str] = []
        self.complaints: list[str] = []
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.send(f"{domain}.enable")

    def send(self, method: str, **parameters: Any) -> dict[str, Any]:
        self._last += 1
        message = {"id": self._last, "method": method, "params": parameters}
        self._socket.send(json.dumps(message))
        while True:
            answer = json.loads(self._socket.recv(timeout=60))
            if answer.get("id") == self._last:
                if "navigated" in answer.get("error", {}).get("message", ""):
                    raise NavigatedError(f"{method}: {answer['error']}")
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']}")
                result: dict[str, Any] = answer["result"]
                return result
            self._note(answer)

    def _note(self, event: dict[str, Any]) -> None:
        method, p = event["method"], event["params"]
        if method == "Network.requestWillBeSent":
            self.requests.append(p["request"]["url"])
        elif method == "Runtime.exceptionThrown":
            self.complaints.append(json.dumps(p["exceptionDetails"])[:600])
        elif method == "Runtime.consoleAPICalled" and p["type"] in ("error", "warning"):
            self.complaints.append(json.dumps(p["args"])[:600])
        elif method == "Log.entryAdded" and p["entry"]["level"] in ("error", "warning"):
            self.complaints.append(f"{p['entry']['text']} {p['entry'].get('url', '')}"[:600])

    def evaluate(self, expression: str) -> Any:
        answer = self.send(
            "Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True
        )
        if "exceptionDetails" in answer:
            raise RuntimeError(json.dumps(answer["exceptionDetails"])[:600])
        return answer["result"].get("value")

    def size(self, width: int, height: int = 900, mobile: bool = False) -> None:
        self.send(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=mobile,
        )

    def open(self, path: Path) -> float:
        """Open a file; returns the seconds until the page said that it was drawn."""
        self.requests.clear()
        self.complaints.clear()
        began = time.perf_counter()
        # By way of an empty page: an address that differs in its #part alone would not load again.
        self.send("Page.navigate", url="about:blank")
        self.send("Page.navigate", url=path.as_uri())
        self.wait("document.documentElement?.dataset.drawn === 'yes'")
        return time.perf_counter() - began

    def wait(self, condition: str, seconds: float = 60) -> None:
        """Until a condition of the page holds."""
        began = time.perf_counter()
        while not self._holds(condition):
            if time.perf_counter() - began > seconds:
                raise TimeoutError(f"{condition} never held; complaints: {self.complaints}")
            time.sleep(0.02)

    def _holds(self, condition: str) -> bool:
        """A page that is just being left says nothing yet of the next one."""
        try:
            return bool(self.evaluate(condition))
        except NavigatedError:
            return False

    def picture(self, target: Path, full: bool = True) -> None:
        shot = self.send("Page.captureScreenshot", captureBeyondViewport=full, format="png")
        target.write_bytes(base64.b64decode(shot["data"]))

    def printed(self, target: Path) -> None:
        pdf = self.send(
            "Page.printToPDF",
            preferCSSPageSize=True,
            printBackground=True,
            displayHeaderFooter=False,
        )
        target.write_bytes(base64.b64decode(pdf["data"]))


@contextmanager
def tab() -> Iterator[Tab]:
    """A fresh browser with one tab; it is gone when the block ends."""
    program = found()
    assert program is not None
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        process = subprocess.Popen(
            [program, *FLAGS, f"--user-data-dir={profile}", "about:blank"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            # No keepalive: its thread draws from the interpreter's random numbers, and a test that
            # draws its own at that moment fails.
            address = _address(Path(profile))
            with connect(address, max_size=None, ping_interval=None) as socket:
                yield Tab(socket)
        finally:
            process.kill()
            process.wait()


def _address(profile: Path) -> str:
    """The first tab's socket, read from what the browser writes into its profile."""
    note = profile / "DevToolsActivePort"
    began = time.perf_counter()
    while time.perf_counter() - began < 30:
        if note.exists() and note.read_text().count("\n") >= 1:
            port = note.read_text().splitlines()[0]
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/json/list", timeout=10) as answer:
                tabs = json.load(answer)
            pages = [t["webSocketDebuggerUrl"] for t in tabs if t["type"] == "page"]
            if pages:
                return str(pages[0])
        time.sleep(0.05)
    raise TimeoutError("the browser did not start")
