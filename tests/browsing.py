"""A headless Chromium and a served survey, for tests of the hand-count page as people meet it."""

from __future__ import annotations

import shutil
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from collarvision.handcount.entry import Gate
from collarvision.handcount.site import create_site

PATIENCE_S = 8.0


def find(*names: str) -> str | None:
    """The first of these programs that is installed."""
    return next((path for name in names if (path := shutil.which(name))), None)


@contextmanager
def browser(width: int, height: int, *, touch: bool = False) -> Iterator[Any]:
    """A Chromium window of this size, or the test is skipped with the reason."""
    pytest.importorskip("selenium", reason="browser tests need the Python package selenium")
    chromium = find("chromium", "chromium-browser", "google-chrome")
    driver = find("chromedriver")
    if chromium is None or driver is None:
        missing = "chromium" if chromium is None else "chromedriver"
        pytest.skip(f"browser tests need {missing} (Debian: apt install chromium chromium-driver)")
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = chromium
    for word in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"):
        options.add_argument(word)
    options.add_argument(f"--window-size={width},{height}")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    if touch:
        metrics = {"width": width, "height": height, "pixelRatio": 2, "touch": True}
        options.add_experimental_option("mobileEmulation", {"deviceMetrics": metrics})
    window = webdriver.Chrome(options=options, service=Service(driver))
    try:
        yield window
    finally:
        window.quit()


@dataclass
class Served:
    """A site that answers; with `cut` what is sent to it is stored, and no answer comes back."""

    url: str
    gate: Gate
    cut: bool = False


@contextmanager
def served(survey: Path, host: str = "127.0.0.1", shown_as: str = "localhost") -> Iterator[Served]:
    """Serve a survey from a thread of this process."""
    import uvicorn

    from collarvision.handcount.running import _listen

    listener = _listen(host, 0)
    port = listener.getsockname()[1]
    gate = Gate()
    url = f"http://{shown_as}:{port}"
    site = create_site(survey, port=port, gate=gate, addresses=(url,) if host == "0.0.0.0" else ())
    handle = Served(url, gate)

    async def interfering(scope: Any, receive: Any, send: Any) -> None:
        async def sending(message: Any) -> None:
            if handle.cut and scope.get("method") == "POST":
                for connection in list(server.server_state.connections):
                    connection.transport.abort()  # type: ignore[union-attr]
                return
            await send(message)

        await site(scope, receive, sending)

    config = uvicorn.Config(
        interfering,
        log_level="error",
        access_log=False,
        proxy_headers=False,
        ws="none",
        timeout_graceful_shutdown=1,
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    until(lambda: server.started)
    try:
        yield handle
    finally:
        server.should_exit = True
        thread.join(PATIENCE_S)
        listener.close()


def own_address() -> str:
    """An address of this machine that others reach it at, or the test is skipped."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # nothing is sent
            return str(probe.getsockname()[0])
        except OSError:
            pytest.skip("this machine has no address but its own to be reached at")


def until(holds: Callable[[], Any], words: str = "") -> Any:
    """Wait until something holds, and give it."""
    deadline = time.monotonic() + PATIENCE_S
    while True:
        found = holds()
        if found:
            return found
        assert time.monotonic() < deadline, f"waited in vain {words}"
        time.sleep(0.03)


class Page:
    """A plant's page in a browser: what a person sees and does."""

    def __init__(self, window: Any, site: Served) -> None:
        self.window, self.site = window, site

    def open(self, sha256: str) -> Page:
        """Open a plant."""
        self.window.get(f"{self.site.url}/plants/{sha256}")
        return self.ready()

    def ready(self) -> Page:
        """Wait until the page works, its photo included."""
        until(
            lambda: self.run(
                "return document.documentElement.dataset.ready === 'yes' &&"
                " document.getElementById('photo').naturalWidth > 0"
            ),
            "for the plant's page",
        )
        return self

    def run(self, script: str, *values: Any) -> Any:
        """Ask the page something."""
        return self.window.execute_script(script, *values)

    def text(self, name: str) -> str:
        """What an element says."""
        return str(self.run("return document.getElementById(arguments[0]).textContent", name))

    def looked(self) -> None:
        """Wait until a person may have looked at the photo: nothing is counted before."""
        until(
            lambda: self.run("return document.documentElement.dataset.seen === 'yes'"),
            "for the photo to be looked at",
        )

    def click(self, name: str) -> None:
        """Press a button."""
        if name in ("agree", "save"):
            self.looked()
        self.window.find_element("id", name).click()

    def keys(self, *keys: str) -> None:
        """Type on the keyboard, one key after the other."""
        from selenium.webdriver.common.action_chains import ActionChains

        for key in keys:
            if key in ("a", "s"):
                self.looked()
            ActionChains(self.window).send_keys(key).perform()

    def call_me(self, name: str) -> None:
        """Say who counts."""
        self.run("localStorage.setItem('collarvision-who', arguments[0])", name)

    def screen_of(self, handle: str) -> tuple[float, float]:
        """Where a handle is in the window, such as ``collar-3``; px."""
        x, y = self.run(
            "const n = document.querySelector(`[data-handle='${arguments[0]}']`);"
            "const [x, y] = n.dataset.at.split(',').map(Number);"
            "const box = document.getElementById('view').getBoundingClientRect();"
            "return [x + box.left, y + box.top]",
            handle,
        )
        return float(x), float(y)

    def scale(self) -> float:
        """Screen px a photo px."""
        return float(
            self.run(
                "const photo = document.getElementById('photo');"
                "return new DOMMatrix(getComputedStyle(photo).transform).a"
            )
        )

    def drag(self, handle: str, dx: int, dy: int) -> None:
        """Drag a handle with the mouse."""
        from selenium.webdriver.common.actions.action_builder import ActionBuilder

        x, y = self.screen_of(handle)
        actions = ActionBuilder(self.window, duration=20)
        mouse = actions.pointer_action
        mouse.move_to_location(round(x), round(y)).pointer_down()
        for part in (0.3, 0.7, 1.0):
            mouse.move_to_location(round(x + part * dx), round(y + part * dy))
        mouse.pointer_up()
        actions.perform()
        self.settle()

    def touch(self, *fingers: list[tuple[float, float]]) -> None:
        """Move fingers over the screen, each along its own way."""

        def send(kind: str, points: list[tuple[float, float]]) -> None:
            touches = [{"x": x, "y": y, "id": n} for n, (x, y) in enumerate(points)]
            self.window.execute_cdp_cmd(
                "Input.dispatchTouchEvent", {"type": kind, "touchPoints": touches}
            )

        send("touchStart", [way[0] for way in fingers])
        for step in range(1, max(map(len, fingers))):
            send("touchMove", [way[min(step, len(way) - 1)] for way in fingers])
        send("touchEnd", [])
        self.settle()

    def settle(self) -> None:
        """Let the page draw."""
        self.window.execute_async_script(
            "const done = arguments[0]; requestAnimationFrame(() => requestAnimationFrame(done))"
        )

    def complaints(self) -> list[str]:
        """What the browser's console holds against the page: errors and broken policies."""
        return [
            entry["message"]
            for entry in self.window.get_log("browser")
            if entry["level"] == "SEVERE"
        ]
