"""Headless Chromium through its debugging protocol, for a page in a file: width, colour scheme, scripts of the test, screenshots.

`websocket-client` (PyPI) speaks WebSocket; the protocol's messages are JSON. The network is off, and what is asked for is recorded.
"""

import base64
import json
import os
import subprocess
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import websocket

_SECONDS = 60


class Page:
    """A tab; `asked` are the addresses that the page has asked for besides itself."""

    def __init__(self, socket: Any) -> None:
        self._socket = socket
        self._number = 0
        self.asked: list[str] = []
        for domain in ("Page", "Network", "Runtime"):
            self.call(f"{domain}.enable")
        self.call("Network.emulateNetworkConditions", offline=True, latency=0, downloadThroughput=0, uploadThroughput=0)

    def call(self, method: str, **arguments: Any) -> Any:
        self._number += 1
        self._socket.send(json.dumps({"id": self._number, "method": method, "params": arguments}))
        return self._wait(lambda message: message.get("id") == self._number)

    def _wait(self, wanted: Any) -> Any:
        while True:
            message = json.loads(self._socket.recv())
            if message.get("method") == "Network.requestWillBeSent":
                self.asked.append(message["params"]["request"]["url"])
            if wanted(message):
                assert "error" not in message, message
                return message.get("result", message)

    def open(self, path: Path, *, width: int, dark: bool = False, scripts: bool = True) -> None:
        self.call(
            "Emulation.setDeviceMetricsOverride", width=width, height=900, deviceScaleFactor=1, mobile=width < 600
        )
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.call("Emulation.setEmulatedMedia", media="", features=[scheme])
        self.call("Emulation.setScriptExecutionDisabled", value=not scripts)
        self.asked.clear()
        self.call("Page.navigate", url=path.as_uri())
        self._wait(lambda message: message.get("method") == "Page.loadEventFired")

    def value(self, script: str) -> Any:
        """What a script of the test returns, promises waited for."""
        said = self.call("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in said, said
        return said["result"].get("value")

    def press(self, key: str) -> None:
        for what in ("rawKeyDown", "keyUp"):
            self.call(
                "Input.dispatchKeyEvent",
                type=what,
                key=key,
                code=key,
                windowsVirtualKeyCode={"Tab": 9, "Enter": 13}[key],
            )

    def screenshot(self, path: Path) -> None:
        said = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=True)
        path.write_bytes(base64.b64decode(said["data"]))


@contextmanager
def browser(program: str) -> Iterator[Page]:
    with tempfile.TemporaryDirectory(prefix="imgseal-browser-", ignore_cleanup_errors=True) as folder:
        arguments = [program, "--headless=new", "--disable-gpu", "--no-first-run", "--disable-background-networking",
                     "--remote-debugging-port=0", "--remote-allow-origins=*", f"--user-data-dir={folder}", "about:blank"]  # fmt: skip
        if os.geteuid() == 0:
            arguments.insert(1, "--no-sandbox")
        with subprocess.Popen(arguments, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
            try:
                socket = websocket.create_connection(_address(Path(folder), process), timeout=_SECONDS)
                try:
                    yield Page(socket)
                finally:
                    socket.close()
            finally:
                process.terminate()
                process.wait(_SECONDS)


def _address(folder: Path, process: "subprocess.Popen[bytes]") -> str:
    """Where the first tab listens; Chromium writes its port into the profile."""
    end = time.monotonic() + _SECONDS
    while time.monotonic() < end and process.poll() is None:
        try:
            port = (folder / "DevToolsActivePort").read_text().split("\n")[0]
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/json/list", timeout=_SECONDS) as said:
                tabs = [tab for tab in json.load(said) if tab["type"] == "page"]
            if tabs:
                return str(tabs[0]["webSocketDebuggerUrl"])
        except (OSError, ValueError):
            pass
        time.sleep(0.05)
    raise AssertionError(f"Chromium does not listen; exit status {process.poll()}")
