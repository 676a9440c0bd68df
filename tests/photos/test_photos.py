"""Photos over HTTP: kept once, shown to whoever sees the site, refused precisely."""

import asyncio
import io
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from PIL import Image
from sqlmodel import col, func, select

from service.photos.models import Photo
from service.security.models import AuditEntry
from tests.kitchen import Kitchen, Person
from tests.photos.test_pictures import GPS, picture, png_header, with_position

JPEG = {"Content-Type": "image/jpeg"}


def sent(person: Person, content: bytes, kind: str = "image/jpeg", query: str = "") -> Any:
    return person.post(f"/photos{query}", content=content, headers={"Content-Type": kind})


def kept_files(kitchen: Kitchen) -> list[Path]:
    return [path for path in (kitchen.folder / "files").rglob("*") if path.is_file()]


def rows(kitchen: Kitchen) -> tuple[int, int]:
    with kitchen.looking() as session:
        return (
            session.exec(select(func.count(col(Photo.digest)))).one(),
            session.exec(select(func.count(col(AuditEntry.id)))).one(),
        )


def test_a_photo_is_kept_without_its_position_and_shown_again(kitchen: Kitchen) -> None:
    answer = sent(kitchen.commissary, with_position(orientation=6))
    assert answer.status_code == 201
    photo = answer.json()
    assert (photo["width"], photo["height"], photo["site"]) == (20, 40, "MAIN")
    assert (photo["by"], photo["taken_at"]) == ("commissary", "2026-11-25T06:00:00Z")
    shown = kitchen.keeper.get(f"/photos/{photo['photo']}")
    assert shown.status_code == 200
    assert shown.headers["content-type"] == "image/jpeg"
    assert shown.headers["x-content-type-options"] == "nosniff"
    assert shown.headers["content-disposition"] == f'inline; filename="{photo["photo"][:16]}.jpg"'
    assert len(shown.content) == photo["bytes"]
    assert Image.open(io.BytesIO(shown.content)).getexif().get_ifd(GPS) == {}
    assert [p.parent.name + p.name for p in kept_files(kitchen)] == [photo["photo"]]


def test_the_same_photo_again_is_the_same_photo(kitchen: Kitchen) -> None:
    first = sent(kitchen.commissary, picture())
    kitchen.clock.forward(hours=1)
    again = sent(kitchen.manager, picture())
    assert again.status_code == 201
    assert again.json() == first.json()
    assert len(kept_files(kitchen)) == 1 and rows(kitchen)[0] == 1


def test_a_photo_may_have_been_taken_earlier_but_not_later(small_kitchen: Kitchen) -> None:
    person = small_kitchen.commissary
    earlier = sent(person, picture(), query="?taken_at=2026-11-24T06:00:00Z").json()
    assert earlier["taken_at"] == "2026-11-24T06:00:00Z"
    later = sent(person, picture(), query="?taken_at=2026-11-26T06:00:00Z")
    assert (later.status_code, later.json()["errors"][0]["field"]) == (422, "taken_at")


@pytest.mark.parametrize(
    ("content", "kind", "status", "problem"),
    [
        (b"%PDF-1.7\n", "image/jpeg", 415, "unknown-media"),
        (b"GIF89a\x01\0\x01\0", "image/png", 415, "unknown-media"),
        (picture(), "image/gif", 415, "unknown-media"),
        (picture(), "application/pdf", 415, "unknown-media"),
        (picture(), "", 415, "unknown-media"),
        (b"", "image/jpeg", 422, "validation"),
        (picture(size=(400, 400))[:1500], "image/jpeg", 422, "validation"),
        (png_header(50_000, 50_000), "image/png", 422, "validation"),
        (b"\xff\xd8\xff" + bytes(15 * 1024 * 1024), "image/jpeg", 413, "too-large"),
    ],
    ids=["pdf", "gif", "said gif", "said pdf", "unsaid", "empty", "cut off", "bomb", "too large"],
)
def test_what_is_no_photo_is_refused_precisely_and_nothing_is_left(
    small_kitchen: Kitchen, content: bytes, kind: str, status: int, problem: str
) -> None:
    commissary = small_kitchen.commissary
    before = rows(small_kitchen)
    answer = sent(commissary, content, kind)
    assert (answer.status_code, answer.json()["type"]) == (status, f"/problems/{problem}")
    assert answer.json()["detail"] and answer.json()["next"]
    assert kept_files(small_kitchen) == [] and rows(small_kitchen) == before


def test_two_hundred_megabytes_are_refused_after_what_the_service_reads(
    small_kitchen: Kitchen,
) -> None:
    """Said or not, a body is not read further than the limit: 16 MB of 200."""
    taken = 0

    async def body() -> AsyncIterator[bytes]:
        nonlocal taken
        for _ in range(200):
            taken += 1
            yield bytes(1024 * 1024)

    async def ask() -> httpx.Response:
        transport = httpx.ASGITransport(small_kitchen.app)
        async with httpx.AsyncClient(transport=transport, base_url="http://kitchen") as client:
            headers = JPEG | {"Authorization": f"Bearer {small_kitchen.commissary.token}"}
            return await client.post("/v1/photos", content=body(), headers=headers)

    answer = asyncio.run(ask())
    assert (answer.status_code, answer.json()["type"]) == (413, "/problems/too-large")
    assert taken <= 18
    assert kept_files(small_kitchen) == []


def test_who_may_not_receive_keeps_no_photo(small_kitchen: Kitchen) -> None:
    for role in ("keeper", "nutritionist", "vet", "inspector", "device"):
        assert sent(small_kitchen.person(role), picture()).status_code == 403
    assert sent(small_kitchen.stranger, picture()).status_code == 401
    assert kept_files(small_kitchen) == []


def test_a_photo_of_another_site_is_not_shown(kitchen: Kitchen) -> None:
    kitchen.manager.made("/sites", {"code": "pier", "name": "Pier"})
    first = sent(kitchen.manager, picture(), query="?site=MAIN").json()["photo"]
    stranger = kitchen.person("commissary", site_ids=(2,))
    assert stranger.get(f"/photos/{first}").status_code == 403
    assert sent(stranger, picture(), query="?site=MAIN").status_code == 403
    assert sent(stranger, picture()).json()["photo"] == first
    assert stranger.get(f"/photos/{first}").status_code == 200, "the same picture, taken there too"
    assert sent(kitchen.manager, picture()).json()["errors"][0]["field"] == "site"


def test_a_photo_that_nobody_has_or_whose_file_is_lost_is_said_so(small_kitchen: Kitchen) -> None:
    keeper = small_kitchen.keeper
    assert keeper.get(f"/photos/{'0' * 64}").json()["type"] == "/problems/unknown-photo"
    assert keeper.get("/photos/..%2f..%2fsecret").status_code in (404, 422)
    assert keeper.get(f"/photos/{'A' * 64}").status_code == 422
    photo = sent(small_kitchen.commissary, picture()).json()["photo"]
    kept_files(small_kitchen)[0].unlink()
    lost = keeper.get(f"/photos/{photo}")
    assert (lost.status_code, "last copy" in lost.json()["next"]) == (404, True)


def test_a_photo_asked_for_as_a_table_is_a_photo(small_kitchen: Kitchen) -> None:
    photo = sent(small_kitchen.commissary, picture()).json()["photo"]
    answer = small_kitchen.keeper.get(f"/photos/{photo}", headers={"Accept": "text/csv"})
    assert (answer.status_code, answer.headers["content-type"]) == (200, "image/jpeg")


def test_a_photo_sent_twice_with_one_key_is_answered_twice_the_same(kitchen: Kitchen) -> None:
    key = {"Content-Type": "image/jpeg", "Idempotency-Key": "tablet-1"}
    first = kitchen.commissary.post("/photos", content=picture(), headers=key)
    again = kitchen.commissary.post("/photos", content=picture(), headers=key)
    assert again.json() == first.json() and again.headers["idempotency-replayed"] == "true"
    other = kitchen.commissary.post("/photos", content=picture("PNG"), headers=key)
    assert other.json()["type"] == "/problems/idempotency-mismatch"
