"""Debian's headless Chromium, offline, driven by Playwright."""

import shutil
from pathlib import Path
from typing import Any

CHROMIUM = next((p for p in map(shutil.which, ("chromium", "chromium-browser", "google-chrome")) if p), None)
FLAGS = "--no-sandbox --disable-gpu --enable-unsafe-swiftshader --disable-quic --disable-background-networking".split()


class Browser:
    """One tab. `errors` holds console errors and exceptions, `requests` every address that was asked for."""

    def __init__(self, profile: Path) -> None:
        from playwright.sync_api import sync_playwright

        self._playwright = sync_playwright().start()
        self._context = self._playwright.chromium.launch_persistent_context(
            profile, executable_path=CHROMIUM, args=FLAGS, headless=True, no_viewport=True, offline=True
        )
        self.page = self._context.pages[0]
        self._devtools = self._context.new_cdp_session(self.page)
        self.call("Page.enable")
        self.errors: list[str] = []
        self.requests: list[str] = []
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on("console", self._heard)
        self.page.on("request", lambda request: self.requests.append(request.url))

    def __enter__(self) -> "Browser":
        return self

    def __exit__(self, *_: object) -> None:
        self._context.close()
        self._playwright.stop()

    def _heard(self, said: Any) -> None:
        if said.type in ("error", "assert"):
            self.errors.append(said.text)

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """The answer to one command of the Chrome DevTools Protocol."""
        return self._devtools.send(method, params)

    def run(self, script: str) -> Any:
        """Value of a JavaScript expression, promises awaited."""
        return self.page.evaluate(script)

    def open(self, page: Path, width: int, height: int, ready: str, dark: bool = False, timeout_s: float = 90) -> None:
        """Load a file in a window of that size and wait until the expression `ready` is true."""
        size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}
        self.call("Emulation.setDeviceMetricsOverride", **size)
        self.page.emulate_media(color_scheme="dark" if dark else "light")
        self.page.goto(page.as_uri(), timeout=1000 * timeout_s)
        self.page.wait_for_function(f"Boolean({ready})", timeout=1000 * timeout_s)

    def screenshot(self, file: Path, full: bool = False) -> None:
        """Write what is seen, or the full page, as PNG."""
        self.page.screenshot(path=file, full_page=full)
