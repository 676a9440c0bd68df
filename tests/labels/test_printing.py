"""What somebody who sticks one of our labels on a carton or tub relies on."""

import io
from datetime import UTC, date, datetime
from typing import Any

import pytest
from PIL import Image, ImageFilter

from service.labels.actions.drawing import draw
from service.labels.rules.printing import (
    ON_HOLD,
    REJECTED,
    TOO_OLD,
    Paper,
    Picture,
    batch_text,
    lot_text,
)
from service.lots.rules import AgeBasis, LotFacts
from service.site.rules import default_policy
from tests.architecture.test_statements import counted
from tests.kitchen import Kitchen
from tests.labels.pictures import scanned

LOT = LotFacts(
    code="HER261125AAN",
    species="HER",
    part="whole",
    size_grade=None,
    fat_group="fatty",
    caught_from=date(2026, 8, 1),
    frozen_on=date(2026, 8, 4),
    received_on=date(2026, 11, 25),
    held=False,
    rejected=False,
)
LABEL = Paper.of_one(100, 60)


def words(lot: LotFacts = LOT, **more: Any) -> Any:
    given: dict[str, Any] = {
        "name": "Atlantic herring",
        "caught_to": date(2026, 8, 3),
        "age_basis": AgeBasis.CAUGHT,
        "supplier_lot": "A77",
        "best_before": None,
        "on": date(2026, 11, 25),
    }
    return lot_text(lot, default_policy(), **given | more)


def drawn(kitchen: Kitchen, path: str, **headers: str) -> Any:
    answer = kitchen.keeper.get(path, headers=headers)
    assert answer.status_code == 200, answer.text
    return answer


def test_a_lots_label_scans_back_to_exactly_its_code(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    answer = drawn(kitchen, f"/lots/{lot.lower()}/label?format=png")
    assert answer.headers["content-type"] == "image/png"
    assert scanned(answer.content) == [lot]
    read = kitchen.keeper.ask(
        "POST", "/labels/read", content=answer.content, headers={"Content-Type": "image/png"}
    )
    assert read.json()["ours"] == {"kind": "lot", "code": lot, "known": True}


def test_a_thaw_batchs_label_scans_back_to_exactly_its_code(kitchen: Kitchen) -> None:
    batch = kitchen.pulled(kitchen.a_lot()["code"], "10 kg", "COOL")["code"]
    answer = drawn(kitchen, f"/thaw-batches/{batch}/label", Accept="image/png")
    assert scanned(answer.content) == [batch]


@pytest.mark.parametrize("degrees", [0, 7, 90, 135, 180])
@pytest.mark.parametrize("blur", [0.0, 1.0])
@pytest.mark.parametrize("width", [1181, 400, 300])
@pytest.mark.parametrize("held", [False, True])
def test_a_label_is_read_turned_blurred_and_small(
    degrees: int, blur: float, width: int, held: bool
) -> None:
    text = words(LotFacts(**vars(LOT) | {"held": held}))
    picture = Image.open(io.BytesIO(draw([text], LABEL, Picture.PNG))).convert("L")
    picture = picture.resize((width, width * picture.height // picture.width))
    picture = picture.rotate(degrees, Image.Resampling.BICUBIC, expand=True, fillcolor=200)
    assert scanned(picture.filter(ImageFilter.GaussianBlur(blur))) == [LOT.code]


def test_a_label_says_species_days_and_until_when_to_use_it() -> None:
    text = words(best_before=date(2027, 7, 31))
    assert (text.code, text.name) == ("HER261125AAN", "Atlantic herring (HER)")
    assert text.rows == (
        ("Caught", "2026-08-01 to 2026-08-03"),
        ("Frozen", "2026-08-04"),
        ("Supplier lot", "A77"),
        ("Best before", "2027-07-31"),
    )
    # 6 months × 30.4375 d = 182.625 d: day 182 after the catch is the last
    assert text.last.value == "2027-01-30"
    assert text.warning is None


def test_a_lot_without_any_day_says_so() -> None:
    text = words(LotFacts(**vars(LOT) | {"caught_from": None, "frozen_on": None}), caught_to=None)
    assert text.rows[0] == ("Caught", "not known")
    assert text.last.value == "not known: ask first"


def test_fish_that_may_not_be_used_says_so_in_words() -> None:
    assert words(LotFacts(**vars(LOT) | {"held": True})).warning == ON_HOLD
    assert words(LotFacts(**vars(LOT) | {"rejected": True, "held": True})).warning == REJECTED
    assert words(on=date(2027, 1, 31)).warning == TOO_OLD
    assert words(on=date(2027, 1, 30)).warning is None


def test_a_batchs_label_says_when_to_discard_it_and_whether_that_is_an_estimate() -> None:
    given = {
        "code": "T261125AAAU",
        "name": "Atlantic herring",
        "mass": "20 kg",
        "left_freezer_at": datetime(2026, 11, 25, 14, 38, tzinfo=UTC),
        "discard_after": datetime(2026, 11, 26, 14, 38, tzinfo=UTC),
    }
    sure, guess = (batch_text(LOT, **given, estimated=e) for e in (False, True))  # type: ignore[arg-type]
    assert sure.last.value == guess.last.value == "Thu 2026-11-26 14:38"
    assert sure.last.note == "" and guess.last.note.startswith("estimated")


def test_the_hold_is_on_the_label_as_soon_as_it_is_placed(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    before = drawn(kitchen, f"/lots/{lot}/label?format=png").content
    kitchen.keeper.made(f"/lots/{lot}/holds", {"reason": "supplier recall"})
    after = drawn(kitchen, f"/lots/{lot}/label?format=png").content
    assert before != after and scanned(after) == [lot]
    assert blackness(before) < 0.4 and blackness(after) > 0.5, "the words stand in a black bar"


def blackness(png: bytes) -> float:
    """The share of dark points at the top of a label."""
    top = Image.open(io.BytesIO(png)).convert("L").crop((60, 60, 1120, 120))
    return sum(top.histogram()[:128]) / (top.width * top.height)


@pytest.mark.parametrize(
    ("asked", "accept", "kind"),
    [
        ("?format=svg", "*/*", "image/svg+xml"),
        ("?format=png", "application/pdf", "image/png"),
        ("", "application/pdf", "application/pdf"),
        ("", "text/html, image/svg+xml;q=0.9", "image/svg+xml"),
        ("", "text/csv", "application/pdf"),
    ],
)
def test_a_label_comes_in_the_kind_that_is_asked_for(
    small_kitchen: Kitchen, asked: str, accept: str, kind: str
) -> None:
    lot = small_kitchen.a_lot()["code"]
    answer = drawn(small_kitchen, f"/lots/{lot}/label{asked}", Accept=accept)
    assert answer.headers["content-type"] == kind
    heads = {"application/pdf": b"%PDF-", "image/png": b"\x89PNG", "image/svg+xml": b"<svg"}
    assert answer.content.startswith(heads[kind])


def test_a_pdf_is_one_page_of_the_labels_size() -> None:
    pdf = draw([words()], LABEL, Picture.PDF)
    assert pdf.count(b"/Type /Page\n") + pdf.count(b"/Type/Page\n") <= 1
    # 100 mm × 60 mm in points of 1/72 inch: 283.46 × 170.08
    assert (b"283.46" in pdf and b"170.07" in pdf) or b"170.08" in pdf


def test_a_sheet_has_the_labels_asked_for_in_order(kitchen: Kitchen) -> None:
    herring, capelin = kitchen.a_lot()["code"], kitchen.a_lot("CAP")["code"]
    batch = kitchen.pulled(herring, "10 kg")["code"]
    path = f"/labels/sheet?lots={herring},{capelin}&thaw_batches={batch}&copies=2&format=png"
    sheet = drawn(kitchen, path).content
    assert Image.open(io.BytesIO(sheet)).size == (2480, 3508), "A4 at 300 dots an inch"
    assert sorted(set(scanned(sheet))) == sorted([herring, capelin, batch])
    assert drawn(kitchen, path.replace("png", "pdf")).content.startswith(b"%PDF-")


@pytest.mark.parametrize(("columns", "rows"), [(1, 1), (2, 7), (3, 8), (5, 15)])
def test_labels_of_any_grid_can_be_scanned(columns: int, rows: int) -> None:
    from service.labels.rules.printing import sheet  # noqa: PLC0415 - beside its use

    png = draw([words()] * (columns * rows), sheet(columns, rows), Picture.PNG)
    assert set(scanned(png)) == {LOT.code}


def test_the_words_on_a_label_cannot_give_orders_to_the_typesetter() -> None:
    nasty = words(supplier_lot='#panic("x") $a$ <b> \\ */ `', name="#read('/etc/passwd')")
    plain = draw([nasty], LABEL, Picture.PNG)
    assert scanned(plain) == [LOT.code]


def test_what_is_not_there_or_too_much_is_refused(small_kitchen: Kitchen) -> None:
    def problem(path: str) -> tuple[int, str]:
        answer = small_kitchen.keeper.get(path)
        return answer.status_code, answer.json()["type"]

    assert problem("/lots/HER261125AAN/label") == (404, "/problems/unknown-lot")
    assert problem("/thaw-batches/T1/label") == (404, "/problems/unknown-thaw-batch")
    assert problem("/labels/sheet") == (422, "/problems/validation")
    assert problem("/labels/sheet?lots=X") == (404, "/problems/unknown-lot")
    assert problem("/labels/sheet?lots=A,B,C,D,E,F&copies=100") == (422, "/problems/validation")
    assert problem("/lots/X/label?format=gif") == (422, "/problems/validation")


def test_a_sheet_takes_as_many_statements_for_many_labels_as_for_few(kitchen: Kitchen) -> None:
    lots = [kitchen.a_lot()["code"] for _ in range(4)]
    batches = [kitchen.pulled(lots[0], "10 kg")["code"] for _ in range(4)]
    sent = {}
    for number in (1, 4):
        path = f"/labels/sheet?lots={','.join(lots[:number])}&format=svg"
        path += f"&thaw_batches={','.join(batches[:number])}"
        drawn(kitchen, path)
        with counted(kitchen) as statements:
            drawn(kitchen, path)
        sent[number] = len(statements)
    assert sent[1] == sent[4]


def test_labels_of_another_site_are_not_for_everybody(small_kitchen: Kitchen) -> None:
    lot = small_kitchen.a_lot()["code"]
    small_kitchen.manager.made("/sites", {"code": "QUAY", "name": "Quay"})
    elsewhere = small_kitchen.person("keeper", site_ids=(2,))
    assert elsewhere.get(f"/lots/{lot}/label").status_code == 403
    assert elsewhere.get(f"/labels/sheet?lots={lot}").status_code == 403
    own = elsewhere.made("/labels/read", {"text": lot})["ours"]
    assert own["known"] is False, "nor is it told that there is one"
