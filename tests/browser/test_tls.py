"""Under the kitchen's own name, with the local authority installed as on a tablet.

Chromium reads authorities that somebody installed from the NSS database of its home; Debian's
`libnss3-tools` writes it, as a person does by hand on a tablet.
"""

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Error as BrowserError
from playwright.sync_api import Playwright

from service.security import users
from service.security.rules import Role
from tests.browser.conftest import NAME, TABLET, launch, look
from tests.kitchen import Kitchen
from tests.processes import served

PASSWORD = "cold-fish-at-six"


@pytest.fixture
def secure(small_kitchen: Kitchen, tmp_path: Path) -> Iterator[str]:
    """`fishhouse serve --tls` on the kitchen's database; its address under its own name."""
    with small_kitchen.writing() as session:
        users.add_user(session, "Ana", Role.KEEPER, at=small_kitchen.clock(), password=PASSWORD)
    small_kitchen.close()
    options = ("--tls", "--name", NAME)
    with served(small_kitchen.address, tmp_path, ports=1, options=options) as (url,):
        yield url.replace("127.0.0.1", NAME)


def with_authority(playwright: Playwright, home: Path, authority: Path | None) -> Any:
    """A browser whose home trusts an authority, or none."""
    store = home / ".pki" / "nssdb"
    store.mkdir(parents=True)
    certutil = ["certutil", "-d", f"sql:{store}"]
    subprocess.run([*certutil, "-N", "--empty-password"], check=True)
    if authority is not None:
        add = ["-A", "-n", "kitchen", "-t", "C,,", "-i", str(authority)]
        subprocess.run([*certutil, *add], check=True)
    return launch(playwright, env={**os.environ, "HOME": str(home)})


def test_a_tablet_that_trusts_the_authority_works_in_a_secure_context(
    secure: str, playwright: Playwright, tmp_path: Path
) -> None:
    browser = with_authority(playwright, tmp_path / "home", tmp_path / "tls" / "authority.pem")
    page = browser.new_context(base_url=secure, viewport=TABLET, has_touch=True).new_page()
    page.goto("/log-in")
    page.get_by_label("Name").fill("Ana")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Log in").click()
    page.get_by_role("heading", name="Now").wait_for()
    look(page, "board-tls")
    assert page.evaluate("window.isSecureContext && 'serviceWorker' in navigator")
    assert page.evaluate("!!navigator.mediaDevices")
    (cookie,) = (c for c in page.context.cookies() if c["name"] == "fishhouse_session")
    assert cookie["secure"] and cookie["httpOnly"] and cookie["sameSite"] == "Lax"
    browser.close()


def test_a_tablet_that_does_not_know_the_authority_is_warned(
    secure: str, playwright: Playwright, tmp_path: Path
) -> None:
    browser = with_authority(playwright, tmp_path / "home", None)
    page = browser.new_context(base_url=secure).new_page()
    with pytest.raises(BrowserError, match="ERR_CERT_AUTHORITY_INVALID"):
        page.goto("/log-in")
    browser.close()
