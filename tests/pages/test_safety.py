"""What a page costs and what it lets in, for every page that there is."""

import re
from html.parser import HTMLParser
from typing import Any

import pytest

from service.pages.static import FOLDER
from tests.kitchen import Kitchen
from tests.pages.test_rights import pages
from tests.pages.visiting import HOST, visitor
from tests.photos.test_pictures import picture

HOSTILE = '"><img src=x onerror=alert(1)><script>alert(2)</script>'
ASSET = re.compile(r'(?:href|src)="(/static/[^"?]+)')


class Markup(HTMLParser):
    """Finds what a page may not hold: script of its own, style of its own, other addresses."""

    def __init__(self) -> None:
        super().__init__()
        self.wrong: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if tag == "style" or (tag == "script" and "src" not in given):
            self.wrong.append(tag)
        for name, value in given.items():
            if name == "style" or name.startswith("on"):
                self.wrong.append(f"{tag} {name}={value}")
            if name in ("href", "src", "action") and not value.startswith(("/", "#")):
                self.wrong.append(f"{tag} {name}={value}")
            if value.startswith("//"):
                self.wrong.append(f"{tag} {name}={value}")


@pytest.fixture
def hostile(small_kitchen: Kitchen) -> Kitchen:
    """A kitchen in which everything that has a name has a hostile one."""
    boss = small_kitchen.manager
    boss.put("/sites/MAIN", {"name": HOSTILE, "timezone": "UTC"})
    boss.put("/places/FZ1", {"name": HOSTILE})
    boss.made("/suppliers", {"code": "EVIL", "name": HOSTILE})
    animal = {"code": "E1", "name": HOSTILE, "taxon": HOSTILE, "group": "otter"}
    small_kitchen.keeper.made("/animals", animal)
    lot = small_kitchen.a_lot()["code"]
    boss.made(f"/lots/{lot}/holds", {"reason": HOSTILE})
    return small_kitchen


def addresses(kitchen: Kitchen) -> list[str]:
    """Every page that a manager may open and that answers, its parts filled in."""
    lot = kitchen.keeper.shown("/lots")["items"][0]["code"]
    parts = {"animal": "E1", "lot": lot, "place": "FZ1"}
    found = []
    for method, route in pages():
        names = set(re.findall(r"\{(\w+)\}", route.path))
        if method == "GET" and names <= parts.keys() and "/events" not in route.path:
            found.append(re.sub(r"\{(\w+)\}", lambda m: parts[m[1]], route.path))
    return found


def test_no_page_runs_what_somebody_typed_as_a_name_nor_loads_from_elsewhere(
    hostile: Kitchen,
) -> None:
    who, opened = visitor(hostile, "manager"), 0
    for path in addresses(hostile):
        answer = who.get(path)
        assert answer.status_code < 500, path
        if not answer.headers["content-type"].startswith("text/html"):
            continue
        opened += 1
        text = answer.text
        assert "<img src=x" not in text and "<script>alert" not in text, path
        markup = Markup()
        markup.feed(text)
        assert markup.wrong == [], path
        assert answer.headers["x-content-type-options"] == "nosniff", path
        assert answer.headers["cache-control"] == "no-store", path
    assert opened > 15


def test_a_page_weighs_at_most_300_kb_and_its_script_150(hostile: Kitchen) -> None:
    who = visitor(hostile, "manager")
    for path in addresses(hostile):
        answer = who.get(path)
        if not answer.headers["content-type"].startswith("text/html"):
            continue
        files = {name.removeprefix("/static/") for name in ASSET.findall(answer.text)}
        sizes = {name: (FOLDER / name).stat().st_size for name in files}
        script = sum(size for name, size in sizes.items() if name.endswith(".js"))
        assert script <= 150_000, path
        assert len(answer.content) + sum(sizes.values()) <= 300_000, path


def test_what_somebody_uploads_is_never_answered_as_a_page(kitchen: Kitchen) -> None:
    who = visitor(kitchen, "commissary")
    here = {"Origin": f"http://{HOST}", "Accept": "application/json"}

    def sent(content: bytes, kind: str) -> Any:
        headers = here | {"Content-Type": kind}
        return who._ask("POST", "/v1/photos", content=content, headers=headers)

    page = b"<html><script>alert(1)</script></html>"
    for kind in ("text/html", "image/svg+xml", "image/png", "image/jpeg"):
        assert sent(page, kind).status_code in (415, 422), kind
    kept = sent(picture("PNG"), "image/png")
    assert kept.status_code == 201
    shown = who.get(f"/v1/photos/{kept.json()['photo']}")
    assert shown.headers["content-type"].startswith("image/")
    assert shown.headers["x-content-type-options"] == "nosniff"
    assert "sandbox" in shown.headers["content-security-policy"]


def test_a_drawing_opened_by_its_address_may_run_nothing(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    headers = {"Accept": "image/svg+xml"}
    path = f"/v1/lots/{lot}/nutrients/THIA/over-time"
    drawn = visitor(kitchen, "vet").get(path, headers=headers)
    assert drawn.headers["content-type"].startswith("image/svg")
    assert "default-src 'none'" in drawn.headers["content-security-policy"]
    assert drawn.headers["x-content-type-options"] == "nosniff"
