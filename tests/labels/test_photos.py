"""What somebody who photographs a carton relies on."""

import io
import struct
import zlib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from service.errors import FishhouseError
from service.labels.actions.photos import barcodes
from tests.kitchen import Kitchen
from tests.labels.pictures import as_file, barcode, on_a_bench

CARTON = "(01)09506000134352(7007)260801260803(10)A77(3102)001000"
JPEG, PNG, WEBP = "image/jpeg", "image/png", "image/webp"


def sent(kitchen: Kitchen, body: bytes, kind: str = JPEG) -> Any:
    return kitchen.keeper.ask("POST", "/labels/read", content=body, headers={"Content-Type": kind})


@pytest.mark.parametrize("symbol", ["datamatrix", "qr", "code128"])
@pytest.mark.parametrize(("kind", "media"), [("JPEG", JPEG), ("PNG", PNG), ("WEBP", WEBP)])
def test_a_photo_says_what_its_text_says(
    small_kitchen: Kitchen, symbol: str, kind: str, media: str
) -> None:
    photo = as_file(on_a_bench(barcode(CARTON, symbol, 3), blur=0.7), kind)
    answer = sent(small_kitchen, photo, media)
    assert answer.status_code == 200, answer.text
    found = answer.json()
    typed = small_kitchen.keeper.made("/labels/read", {"text": CARTON})
    assert found["codes"][0]["symbology"] in ("]d2", "]Q3", "]C1")
    assert {k: v for k, v in found.items() if k != "codes"} == {
        k: v for k, v in typed.items() if k != "codes"
    }


HARD: dict[str, dict[str, Any]] = {
    "turned": {"degrees": 33.0},
    "upside down": {"degrees": 180.0},
    "blurred": {"blur": 1.6},
    "faint": {"contrast": 0.25},
    "all of it": {"degrees": 12.0, "blur": 1.0, "contrast": 0.5},
}


@pytest.mark.parametrize("hard", HARD)
@pytest.mark.parametrize("symbol", ["datamatrix", "qr", "code128"])
def test_a_hard_photo_is_read_all_the_same(hard: str, symbol: str) -> None:
    (found,) = barcodes(as_file(on_a_bench(barcode(CARTON, symbol, 4), **HARD[hard])))
    assert found[0].startswith("0109506000134352")


def test_two_codes_of_one_carton_are_put_together(small_kitchen: Kitchen) -> None:
    photo = on_a_bench(barcode("(01)09506000134352(10)A77"), barcode("(10)A77(7007)260801"))
    found = sent(small_kitchen, as_file(photo)).json()
    assert (found["supplier_lot"], found["harvested_from"]) == ("A77", "2026-08-01")
    assert len(found["codes"]) == 2


def test_a_code_of_something_else_beside_the_label_does_no_harm(small_kitchen: Kitchen) -> None:
    photo = on_a_bench(barcode(CARTON), barcode("https://example.org/join", "qr"))
    found = sent(small_kitchen, as_file(photo)).json()
    assert found["gtin"] == "09506000134352"
    assert sorted(code["kind"] for code in found["codes"]) == ["gs1", "other"]


def test_a_photo_without_a_barcode_says_what_to_do(small_kitchen: Kitchen) -> None:
    problem = sent(small_kitchen, as_file(on_a_bench())).json()
    assert (problem["type"], problem["status"]) == ("/problems/no-barcode", 422)
    assert "closer" in problem["next"]


def test_ten_cartons_at_once_are_listed_and_not_chosen_from(small_kitchen: Kitchen) -> None:
    labels = [barcode(f"(01)09506000134352(10)LOT{n}", "datamatrix", 5) for n in range(10)]
    answer = sent(small_kitchen, as_file(on_a_bench(*labels)))
    problem = answer.json()
    assert (problem["type"], problem["status"]) == ("/problems/several-cartons", 422)
    assert len(problem["codes"]) == 10
    assert "supplier lot" in problem["detail"]


def test_two_labels_of_ours_are_not_chosen_from_either(small_kitchen: Kitchen) -> None:
    photo = on_a_bench(barcode("HER261125AAN", "qr"), barcode("T261125AAAU", "qr"))
    assert sent(small_kitchen, as_file(photo)).json()["type"] == "/problems/several-cartons"


def test_a_photo_of_something_elses_code_is_not_a_label(small_kitchen: Kitchen) -> None:
    problem = sent(small_kitchen, as_file(on_a_bench(barcode("WELCOME", "qr")))).json()
    assert problem["status"] == 422
    assert "no barcode is of a label" in problem["detail"] and "WELCOME" in problem["detail"]


@pytest.mark.parametrize(
    ("body", "status", "what"),
    [
        (b"%PDF-1.7 called photo.jpg", 415, "a PDF"),
        (b"GIF89a", 415, "a GIF"),
        (b"PK\x03\x04", 415, "a ZIP archive"),
        (b"\0\0\0\x18ftypheic", 415, "a HEIC photo"),
        (b"", 415, "empty"),
        (b"\xff\xd8\xff\xe0 broken", 422, "damaged"),
        (as_file(Image.new("L", (8, 8))), 422, "8 × 8 pixels"),
    ],
)
def test_what_is_no_photo_is_said_by_its_content(
    small_kitchen: Kitchen, body: bytes, status: int, what: str
) -> None:
    answer = sent(small_kitchen, body)
    assert answer.status_code == status, answer.text
    assert what in answer.json()["detail"]
    assert answer.json()["next"]


def test_a_picture_that_is_called_by_another_kind_is_read(small_kitchen: Kitchen) -> None:
    photo = as_file(on_a_bench(barcode(CARTON)), "PNG")
    assert sent(small_kitchen, photo, JPEG).status_code == 200


def test_other_kinds_of_body_are_refused_by_name(small_kitchen: Kitchen) -> None:
    answer = sent(small_kitchen, b"%PDF", "application/pdf")
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["field"] == "Content-Type"


def bomb(width: int, height: int) -> bytes:
    """A small PNG that says it is huge."""

    def chunk(kind: bytes, content: bytes) -> bytes:
        check = zlib.crc32(kind + content)
        return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", check)

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0))
    body = chunk(b"IDAT", zlib.compress(bytes(10_000)))
    return b"\x89PNG\r\n\x1a\n" + head + body + chunk(b"IEND", b"")


@pytest.mark.parametrize(
    ("width", "height"), [(6000, 5000), (50_000, 50_000), (2**31 - 1, 2**31 - 1)]
)
def test_a_picture_of_too_many_pixels_is_refused_before_it_is_decoded(
    small_kitchen: Kitchen, width: int, height: int
) -> None:
    answer = sent(small_kitchen, bomb(width, height), PNG)
    assert answer.status_code == 422, answer.text
    assert "pixels" in answer.json()["detail"]


def test_what_is_transparent_counts_as_white() -> None:
    label = barcode(CARTON, "datamatrix", 6)
    clear = Image.new("RGBA", label.size, (0, 0, 0, 0))
    clear.paste((0, 0, 0, 255), mask=label.point(lambda v: 255 - v))
    out = io.BytesIO()
    clear.save(out, "PNG")
    assert len(barcodes(out.getvalue())) == 1


WHOLE = as_file(on_a_bench(barcode(CARTON), size=(300, 240)))


@settings(max_examples=60)
@given(st.data())
def test_a_damaged_photo_is_a_refusal_and_never_a_failure(data: st.DataObject) -> None:
    at = data.draw(st.integers(0, len(WHOLE) - 1))
    body = (
        WHOLE[:at] + data.draw(st.binary(max_size=8)) + WHOLE[at + data.draw(st.integers(0, 9)) :]
    )
    try:
        barcodes(body)
    except FishhouseError as refusal:
        assert refusal.advice


@settings(max_examples=60)
@given(
    st.sampled_from([b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"RIFF\x20\0\0\0WEBP", b""]),
    st.binary(max_size=300),
)
def test_random_bytes_never_raise_anything_but_a_refusal(head: bytes, rest: bytes) -> None:
    with pytest.raises(FishhouseError):
        barcodes(head + rest)
