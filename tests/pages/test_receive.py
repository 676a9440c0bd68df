"""Receiving at the pages: a truck, its lots, the checklist, the decision; gone on with anywhere."""

import re
from typing import Any

import pytest

from tests.kitchen import Kitchen
from tests.labels.pictures import as_file, barcode, on_a_bench
from tests.pages.visiting import HOST, Visitor, visitor

LABEL = "(01)09506000134352(10)SF-77(7007)260801(7006)260802"
FISH = {"product": "HER-BLOCK-10", "caught_from": "2026-08-01", "received_as": "frozen"}
HOSTILE = '"><img src=x onerror=alert(1)>'


def begun(who: Visitor, supplier: str = "NORD") -> str:
    """A draft whose truck was looked at; its address."""
    path = who.sent("/receive/new", {"supplier": supplier})
    assert path.endswith("/arrival")
    draft = path.removesuffix("/arrival")
    truck = {"supplier": supplier, "vehicle_temperature.value": "-19.5"}
    assert who.sent(path, truck | {"vehicle_temperature.unit": "C"}) == f"{draft}/lots/0/label"
    return draft


def a_whole_lot(who: Visitor, draft: str, lot: int = 0, **fish: str) -> None:
    """A lot with every step taken; its cores are cold."""
    at = f"{draft}/lots/{lot}"
    assert who.sent(f"{at}/fish", FISH | fish) == f"{at}/amount"
    assert who.sent(f"{at}/amount", {"cartons": "12"}) == f"{at}/place"
    assert who.sent(f"{at}/place", {"place": "FZ1"}) == f"{at}/cores"
    for core in ("-20.1", "-19.6", "-21"):
        add_core(who, at, core)
    assert who.sent(f"{at}/cores/done") == draft


def add_core(who: Visitor, at: str, core: str) -> str:
    return who.sent(f"{at}/cores", {"temperature.value": core, "temperature.unit": "C"})


def received(who: Visitor) -> str:
    """A delivery of one good lot; the address of its inspection."""
    draft = begun(who)
    a_whole_lot(who, draft)
    return who.sent(f"{draft}/received")


def all_good(who: Visitor, inspection: str) -> str:
    """Every question answered good, every carton opened and good; where it led to."""
    path = inspection
    for _ in range(40):
        asked = who.get(path)
        item = re.search(r'name="answers.0.item" value="(\w+)"', asked.text)
        if item is None:
            break
        said = {"answers.0.item": item[1], "answers.0.answer": "accept"}
        path = who.sent(f"{inspection}/answers", said)
    cartons = who.get(inspection).headers["location"]
    page = who.page(cartons)
    opened = re.search(r'name="counts.0.opened" value="(\d+)"', page)
    assert opened
    lot = cartons.rsplit("/", 1)[1]
    count = {"counts.0.lot": lot, "counts.0.opened": opened[1], "counts.0.defective": "0"}
    assert who.sent(f"{inspection}/answers", count) == inspection
    return str(who.get(inspection).headers["location"])


def test_a_truck_is_received_looked_through_and_decided_on(kitchen: Kitchen) -> None:
    who = visitor(kitchen, "commissary")
    inspection = received(who)
    assert "is recorded" in who.page(inspection)
    decision = all_good(who, inspection)
    assert decision.endswith("/decision")
    assert "Nothing speaks against it." in who.page(decision)
    after = who.sent(
        f"{inspection}/signature", {"decision": "accept", "reason": "all as it should be"}
    )
    page = who.page(after)
    assert "may be used" in page and "all as it should be" in page and "−19.5 °C" in page
    label = re.search(r'href="(/v1/labels/sheet\?lots=HER[^"]*)"', page)
    assert label
    pdf = who.get(label[1].replace("&amp;", "&"))
    assert pdf.content.startswith(b"%PDF")
    assert kitchen.balance()["parcels"] == 120_000


def test_another_tablet_goes_on_where_the_first_one_stopped(kitchen: Kitchen) -> None:
    first, second = visitor(kitchen, "commissary"), visitor(kitchen, "manager")
    draft = begun(first)
    first.sent(f"{draft}/lots/0/fish", FISH | {"supplier_lot": "SF-78"})
    assert f'href="{draft}/lots/0/amount"' in second.page("/receive")
    second.sent(f"{draft}/lots/0/amount", {"cartons": "7"})
    assert "SF-78" in first.page(f"{draft}/lots/0/fish")
    assert 'value="7"' in first.page(f"{draft}/lots/0/amount")
    assert f'href="{draft}/lots/0/place"' in first.page("/receive")
    assert kitchen.balance()["parcels"] == 0


def test_what_is_not_complete_is_not_received(kitchen: Kitchen) -> None:
    who = visitor(kitchen, "commissary")
    draft = begun(who)
    a_whole_lot(who, draft)
    who.sent(f"{draft}/lots")
    assert "not complete" in who.page(draft) and f"{draft}/received" not in who.page(draft)
    assert who.post(f"{draft}/received").status_code == 409
    assert kitchen.balance()["parcels"] == 0
    who.sent(f"{draft}/lots/1/leave-out")
    who.sent(f"{draft}/received")
    assert kitchen.balance()["parcels"] == 120_000


def test_a_delivery_is_received_once_and_a_given_up_one_never(kitchen: Kitchen) -> None:
    who = visitor(kitchen, "commissary")
    draft = begun(who)
    a_whole_lot(who, draft)
    who.sent(f"{draft}/received")
    again = who.post(f"{draft}/received")
    assert again.status_code == 409 and "received as delivery" in again.text
    assert who.get(draft).headers["location"].startswith("/receive/deliveries/")
    other = begun(who)
    who.sent(f"{other}/given-up")
    assert who.post(f"{other}/lots").status_code == 409
    assert other not in who.page("/receive")
    assert kitchen.balance()["parcels"] == 120_000


def test_a_scanned_label_fills_in_what_it_says_and_asks_for_the_product(kitchen: Kitchen) -> None:
    who = visitor(kitchen, "commissary")
    draft = begun(who)
    at = f"{draft}/lots/0"
    assert who.sent(f"{at}/label", {"text": LABEL}) == f"{at}/fish"
    page = who.page(f"{at}/fish")
    assert 'value="SF-77"' in page and 'value="2026-08-01"' in page and 'value="2026-08-02"' in page
    assert "No product of ours has the article number 09506000134352" in page


def test_a_photo_of_a_label_is_read_by_the_service(kitchen: Kitchen) -> None:
    who = visitor(kitchen, "commissary")
    at = f"{begun(who)}/lots/0"
    photo = as_file(on_a_bench(barcode(LABEL), size=(900, 700)))
    answer = who.post(f"{at}/label", files={"photo": ("label.jpg", photo, "image/jpeg")})
    assert answer.headers["location"] == f"{at}/fish"
    assert 'value="SF-77"' in who.page(f"{at}/fish")
    refused = who.post(f"{at}/label", files={"photo": ("x.html", b"<script>", "text/html")})
    assert refused.status_code == 415 and "not a JPEG" in refused.text


def test_a_misprinted_label_is_refused_and_nothing_of_it_kept(kitchen: Kitchen) -> None:
    who = visitor(kitchen, "commissary")
    at = f"{begun(who)}/lots/0"
    refused = who.post(f"{at}/label", {"text": "(01)09506000134353(10)SF-77"})
    assert refused.status_code == 422
    assert "Read before" not in who.page(f"{at}/label")
    assert who.post(f"{at}/label", {"text": "  "}).status_code == 422


def test_cores_are_judged_as_they_come_and_a_warm_one_holds_the_lot(kitchen: Kitchen) -> None:
    who = visitor(kitchen, "commissary")
    draft = begun(who)
    at = f"{draft}/lots/0"
    who.sent(f"{at}/fish", FISH)
    who.sent(f"{at}/amount", {"mass.value": "55.5", "mass.unit": "kg"})
    who.sent(f"{at}/place", {"place": "FZ1"})
    add_core(who, at, "-20")
    assert "cold enough" in who.page(f"{at}/cores")
    add_core(who, at, "-17")
    assert "warm: in doubt" in who.page(f"{at}/cores")
    add_core(who, at, "11")
    assert "too warm: will be held" in who.page(f"{at}/cores")
    who.sent(f"{at}/cores/take-back")
    assert "too warm: will be held" not in who.page(f"{at}/cores")
    add_core(who, at, "-12")
    assert who.post(f"{at}/cores", {"temperature.value": "x"}).status_code == 422
    who.sent(f"{at}/cores/done")
    inspection = who.sent(f"{draft}/received")
    assert "core-too-warm" in who.page(f"{inspection}/decision")
    assert "waiting for a decision" in who.page("/receive")
    assert kitchen.balance()["parcels"] == 55_500


def test_a_milder_decision_than_proposed_needs_the_managers_reason(kitchen: Kitchen) -> None:
    who, boss = visitor(kitchen, "commissary"), visitor(kitchen, "manager")
    inspection = received(who)
    order = {"decision": "accept", "reason": "it looks fine"}
    refused = who.post(f"{inspection}/signature", order)
    assert refused.status_code == 409 and "Do it all the same" not in refused.text
    asked = boss.post(f"{inspection}/signature", order)
    assert asked.status_code == 409 and "Do it all the same" in asked.text
    rules = re.findall(r'name="(override\.\d+\.rule)" value="([\w-]+)"', asked.text)
    reasons = {key.replace("rule", "reason"): "seen by the vet" for key, _ in rules}
    boss.sent(f"{inspection}/signature", order | dict(rules) | reasons)
    assert "it looks fine" in who.page(f"/receive/deliveries/{_delivery(who)}")


def _delivery(who: Visitor) -> str:
    found = re.search(r"/receive/deliveries/(\d+)", who.page("/receive"))
    assert found
    return found[1]


def test_one_lot_of_two_can_be_rejected_alone(kitchen: Kitchen) -> None:
    who = visitor(kitchen, "commissary")
    draft = begun(who)
    a_whole_lot(who, draft)
    who.sent(f"{draft}/lots")
    a_whole_lot(who, draft, 1, supplier_lot="B")
    inspection = who.sent(f"{draft}/received")
    codes = re.findall(r'name="lots.\d.lot" value="(\w+)"', who.page(f"{inspection}/decision"))
    assert len(codes) == 2
    order = {"decision": "hold", "reason": "one smells", "lots.0.lot": codes[0]}
    order |= {"lots.0.decision": "", "lots.1.lot": codes[1], "lots.1.decision": "reject"}
    page = who.page(who.sent(f"{inspection}/signature", order))
    assert ">on hold<" in page and ">rejected<" in page


def test_an_answer_keeps_its_note_and_its_photo(kitchen: Kitchen) -> None:
    who = visitor(kitchen, "commissary")
    inspection = received(who)
    said = {"answers.0.item": "box_ice", "answers.0.answer": "question", "answers.0.note": HOSTILE}
    photo = as_file(on_a_bench(size=(200, 150)))
    who.sent(f"{inspection}/answers", said, files={"photo": ("p.jpg", photo, "image/jpeg")})
    page = who.page(f"{inspection}/decision")
    assert "<img src=x" not in page and "&lt;img src=x" in page
    kept = re.search(r'href="(/v1/photos/[0-9a-f]{64})"', page)
    assert kept
    shown = who.get(kept[1])
    assert shown.headers["content-type"] == "image/jpeg"
    assert "sandbox" in shown.headers["content-security-policy"]
    before = page.count("/v1/photos/")
    html = who.post(
        f"{inspection}/answers", said, files={"photo": ("p.html", b"<script>", "image/png")}
    )
    assert html.status_code in (415, 422)
    assert who.page(f"{inspection}/decision").count("/v1/photos/") == before


@pytest.mark.parametrize(
    ("step", "fields", "field"),
    [
        ("fish", {"product": "NOPE", "received_as": "frozen"}, "product"),
        ("fish", FISH | {"caught_from": "2026-12-24"}, "caught_from"),
        ("fish", FISH | {"frozen_on": "yesterday"}, "frozen_on"),
        ("amount", {}, "cartons"),
        ("amount", {"cartons": "-3"}, "cartons"),
        ("amount", {"mass.value": "1e9", "mass.unit": "kg"}, "mass"),
        ("place", {"place": "NOWHERE"}, "place"),
        ("cores", {"temperature.value": "-400", "temperature.unit": "C"}, "temperature"),
    ],
)
def test_what_cannot_be_is_refused_at_its_step_and_names_the_field(
    small_kitchen: Kitchen, step: str, fields: dict[str, Any], field: str
) -> None:
    who = visitor(small_kitchen, "commissary")
    draft = begun(who)
    before = who.page(draft)
    refused = who.post(f"{draft}/lots/0/{step}", fields)
    assert refused.status_code in (404, 422), refused.text
    assert field in refused.text
    assert _without_keys(who.page(draft)) == _without_keys(before)


def _without_keys(page: str) -> str:
    return re.sub(r'name="_key" value="[^"]*"', "", page)


def test_hostile_names_are_only_text(small_kitchen: Kitchen) -> None:
    small_kitchen.manager.made("/suppliers", {"code": "EVIL", "name": f"<script>{HOSTILE}"})
    who = visitor(small_kitchen, "commissary")
    draft = begun(who, "EVIL")
    a_whole_lot(who, draft, supplier_lot=HOSTILE)
    arrival = {"supplier": "EVIL", "order_number": HOSTILE, "documents.0.kind": HOSTILE}
    who.sent(f"{draft}/arrival", arrival | {"documents.0.number": HOSTILE})
    inspection = who.sent(f"{draft}/received")
    for path in ("/receive", "/receive/new", inspection, f"{inspection}/decision"):
        page = who.page(path)
        assert "<script>&" not in page and "<img src=x" not in page, path
    page = who.page(f"/receive/deliveries/{_delivery(who)}")
    assert "<img src=x" not in page and "&lt;img src=x" in page


def test_a_keeper_does_not_receive_and_sees_no_way_there(small_kitchen: Kitchen) -> None:
    who = visitor(small_kitchen, "keeper")
    assert who.get("/receive").status_code == 403
    assert 'href="/receive"' not in who.page("/")


def test_a_form_of_another_origin_begins_nothing(small_kitchen: Kitchen) -> None:
    who = visitor(small_kitchen, "commissary")
    elsewhere = {"Origin": f"http://evil.{HOST}"}
    assert who.post("/receive/new", {"supplier": "NORD"}, headers=elsewhere).status_code == 403
    assert "Go on with" not in who.page("/receive")
