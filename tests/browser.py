"""A headless Chromium driven over its debugging pipe, with the standard library alone."""

import base64
import json
import os
import select
import shutil
import subprocess
import time
from pathlib import Path
from typing import Any

CHROMIUM = next((p for p in map(shutil.which, ("chromium", "chromium-browser", "google-chrome")) if p), None)
FLAGS = (
    "--headless --no-sandbox --disable-gpu --enable-unsafe-swiftshader --disable-quic --no-first-run "
    "--disable-background-networking --disable-component-update --disable-sync --hide-scrollbars "
    "--remote-debugging-pipe"
).split()


class Browser:
    """One tab. `errors` holds console errors and exceptions, `requests` every address that was asked for."""

    def __init__(self, profile: Path) -> None:
        read_commands, self._out = os.pipe()
        self._in, write_answers = os.pipe()
        # The browser wants the pipe at file descriptors 3 and 4, whatever numbers they have here.
        shell = f'exec 3<&{read_commands} 4>&{write_answers}; exec "$@"'
        self._process = subprocess.Popen(
            ["bash", "-c", shell, "bash", str(CHROMIUM), *FLAGS, f"--user-data-dir={profile}", "about:blank"],
            pass_fds=(read_commands, write_answers),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(read_commands)
        os.close(write_answers)
        self.errors: list[str] = []
        self.requests: list[str] = []
        self._buffer = b""
        self._last = 0
        self._session: str | None = None
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")
        offline = {"latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
        self.call("Network.emulateNetworkConditions", offline=True, **offline)

    def __enter__(self) -> "Browser":
        return self

    def __exit__(self, *_: object) -> None:
        self._process.terminate()
        self._process.wait(20)
        os.close(self._out)
        os.close(self._in)

    def call(self, method: str, timeout_s: float = 90, **params: Any) -> dict[str, Any]:
        """The answer to one command of the Chrome DevTools Protocol."""
        self._last += 1
        message = {"id": self._last, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        until = time.monotonic() + timeout_s
        while True:
            answer = self._receive(until)
            if answer.get("id") == self._last:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']}")
                return answer["result"]
            self._note(answer)

    def run(self, script: str) -> Any:
        """Value of a JavaScript expression, promises awaited."""
        answer = self.call("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in answer:
            raise RuntimeError(json.dumps(answer["exceptionDetails"])[:500])
        return answer["result"].get("value")

    def open(self, page: Path, width: int, height: int, ready: str, dark: bool = False, timeout_s: float = 90) -> None:
        """Load a file in a window of that size and wait until the expression `ready` is true."""
        self.call(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=width < 600
        )
        theme = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
        self.call("Emulation.setEmulatedMedia", features=theme)
        self.call("Page.navigate", url=page.as_uri())
        until = time.monotonic() + timeout_s
        while not self.run(f"document.readyState === 'complete' && Boolean({ready})"):
            if time.monotonic() > until:
                raise TimeoutError(f"{page} wasn't ready in {timeout_s:.0f} s; errors: {self.errors}")
            time.sleep(0.2)

    def screenshot(self, file: Path, full: bool = False) -> None:
        """Write what is seen, or the full page, as PNG."""
        answer = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=full)
        file.write_bytes(base64.b64decode(answer["data"]))

    def _receive(self, until: float) -> dict[str, Any]:
        while b"\0" not in self._buffer:
            if not select.select([self._in], [], [], max(0.0, until - time.monotonic()))[0]:
                raise TimeoutError("the browser didn't answer")
            part = os.read(self._in, 1 << 20)
            if not part:
                raise RuntimeError("the browser ended")
            self._buffer += part
        message, self._buffer = self._buffer.split(b"\0", 1)
        return json.loads(message)

    def _note(self, event: dict[str, Any]) -> None:
        params = event.get("params", {})
        if event.get("method") == "Runtime.exceptionThrown":
            self.errors.append(json.dumps(params["exceptionDetails"])[:500])
        elif event.get("method") == "Runtime.consoleAPICalled" and params["type"] in ("error", "assert"):
            self.errors.append(json.dumps(params["args"])[:500])
        elif event.get("method") == "Log.entryAdded" and params["entry"]["level"] == "error":
            self.errors.append(params["entry"]["text"])
        elif event.get("method") == "Network.requestWillBeSent":
            self.requests.append(params["request"]["url"])
