"""A real browser: headless Chromium against the real service on a socket.

Debian's `chromium` is driven by Playwright; `.ci/run` installs it, and `certutil` for the tests
of TLS. Where they are not, these tests are deselected. Screenshots of every page
are kept in `screenshots/` (FISHHOUSE_SCREENSHOTS names another folder) for looking at.
"""

import os
import re
import shutil
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import (
    Browser,
    BrowserContext,
    Page,
    Playwright,
    ViewportSize,
    expect,
    sync_playwright,
)

from service.security.sessions import COOKIE
from tests.architecture.addresses import ROOT
from tests.kitchen import Kitchen
from tests.pages.visiting import cookie_of

TABLET: ViewportSize = {"width": 1180, "height": 820}
PHONE: ViewportSize = {"width": 390, "height": 844}
NAME = "kitchen.test"  # a name other than localhost, which only the browser knows
QUIET = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    f"--host-resolver-rules=MAP {NAME} 127.0.0.1",
]  # fmt: skip
expect.set_options(timeout=15_000)  # a machine that is busy with other tests
SCREENSHOTS = Path(os.environ.get("FISHHOUSE_SCREENSHOTS", ROOT / "screenshots"))


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what needs a browser, or a tool beside it, that is not installed here."""
    lacking = [
        item
        for item in items
        if "tests/browser/" in item.nodeid
        and (
            shutil.which("chromium") is None
            or ("test_tls" in item.nodeid and shutil.which("certutil") is None)
        )
    ]
    if lacking:
        config.hook.pytest_deselected(items=lacking)
        items[:] = [item for item in items if item not in lacking]


@pytest.fixture(scope="package")  # its loop runs in this thread: others could start none
def playwright() -> Iterator[Playwright]:
    with sync_playwright() as started:
        yield started


@pytest.fixture(scope="package")
def browser(playwright: Playwright) -> Iterator[Browser]:
    launched = launch(playwright)
    yield launched
    launched.close()


def launch(
    playwright: Playwright, *more: str, env: dict[str, str | float | bool] | None = None
) -> Browser:
    """Debian's Chromium."""
    path = shutil.which("chromium") or "/usr/bin/chromium"
    return playwright.chromium.launch(executable_path=path, args=[*QUIET, *more], env=env)


@dataclass
class Served:
    """The service of a kitchen on a socket, and people who look at it with a browser."""

    kitchen: Kitchen
    browser: Browser
    address: str

    def context(self, role: str | None, size: ViewportSize = TABLET, **more: Any) -> BrowserContext:
        """A tablet or a phone at which somebody of a role is logged in."""
        made = self.browser.new_context(
            base_url=self.address, viewport=size, has_touch=True, locale="en-GB", **more
        )
        made.set_default_timeout(15_000)
        if role is not None:
            cookie = {"name": COOKIE, "value": cookie_of(self.kitchen, role), "url": self.address}
            made.add_cookies([cookie])  # type: ignore[list-item]
        return made

    @contextmanager
    def page(self, role: str | None, size: ViewportSize = TABLET, **more: Any) -> Iterator[Page]:
        """A page at which somebody of a role is logged in. No script may have failed on it."""
        context = self.context(role, size, **more)
        opened = context.new_page()
        failures = watch_failures(opened)
        yield opened
        assert failures == []
        context.close()


def watch_failures(page: Page) -> list[str]:
    """What goes wrong inside a page: exceptions of scripts, and what its policy refuses."""
    failures: list[str] = []
    page.on("pageerror", lambda error: failures.append(str(error)))
    page.on(
        "console",
        lambda message: (
            failures.append(message.text) if "Content Security Policy" in message.text else None
        ),
    )
    return failures


@contextmanager
def serving(kitchen: Kitchen, **more: Any) -> Iterator[int]:
    """The kitchen's application on a socket of its own; its port."""
    config = uvicorn.Config(
        kitchen.app, log_level="warning", access_log=False, lifespan="off", **more
    )
    server = uvicorn.Server(config)
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        thread = threading.Thread(target=server.run, args=([listener],), daemon=True)
        thread.start()
        try:
            while not server.started:
                thread.join(timeout=0.02)
                assert thread.is_alive()
            yield listener.getsockname()[1]
        finally:
            server.should_exit = server.force_exit = True
            thread.join(timeout=10)


@pytest.fixture
def served(small_kitchen: Kitchen, browser: Browser) -> Iterator[Served]:
    """A kitchen that is set up, served to a browser."""
    with serving(small_kitchen) as port:
        yield Served(small_kitchen, browser, f"http://localhost:{port}")


def look(page: Page, name: str) -> None:
    """Keep a picture of the whole page, and hold it against what every page must be: no serious
    finding of the accessibility rules (axe, WCAG 2.2 AA), nothing wider than the screen, and
    targets large enough for a wet finger."""
    SCREENSHOTS.mkdir(parents=True, exist_ok=True)
    size = page.viewport_size or TABLET
    kind = "phone" if size["width"] < 600 else "tablet"
    page.screenshot(path=SCREENSHOTS / f"{name}-{kind}.png", full_page=True)
    wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    assert wide <= 0, f"{name} is {wide} px wider than a {kind}"
    assert serious(page) == [], name
    assert too_small(page) == [], name


def serious(page: Page) -> list[str]:
    """Serious and critical findings of axe."""
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    found = Axe().run(page, options={"runOnly": {"type": "tag", "values": tags}}).response
    return [
        f"{v['id']}: {v['help']}: {v['nodes'][0]['html'][:200]}"
        for v in found["violations"]
        if v["impact"] in ("serious", "critical")
    ]


SMALL = """() => [...document.querySelectorAll(
  'button, .button, input:not([type=hidden]), select, summary, nav a')].filter(e => {
  const box = e.getBoundingClientRect(), label = e.closest('label');
  const whole = label ? label.getBoundingClientRect() : box;
  return box.width && Math.max(box.height, whole.height) < 36;
}).map(e => e.outerHTML.slice(0, 120))"""


def too_small(page: Page) -> list[str]:
    """What is to be touched and is less than 36 px high (WCAG 2.2 asks for 24)."""
    found: list[str] = page.evaluate(SMALL)
    return found


def weight_of(page: Page, path: str) -> tuple[int, int]:
    """Bytes of script, and of everything, that a page costs on its first visit."""
    sizes: dict[str, int] = {}
    page.on("response", lambda r: sizes.update({r.url: _length(r)}))
    page.goto(path)
    page.wait_for_load_state("load")
    script = sum(size for url, size in sizes.items() if re.search(r"\.js(\?|$)", url))
    return script, sum(sizes.values())


def _length(response: Any) -> int:
    try:
        return len(response.body())
    except Exception:  # a redirect has no body
        return 0
