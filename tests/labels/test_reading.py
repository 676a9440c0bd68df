"""What a person who scans a carton relies on."""

from datetime import datetime
from typing import Any

import pytest

from tests.kitchen import Kitchen

GTIN = "09506000134352"
HERRING = {
    "code": "HER-GTIN-10",
    "species": "HER",
    "supplier": "NORD",
    "form": "block",
    "carton_mass": "10 kg",
    "gtin": "9506000134352",
}
CARTON = (
    f"(01){GTIN}(10)A77(7007)260801260803(7006)260804(7008)HER(7005)27.4.A(7009)TM"
    "(7010)01(3102)001000(15)270731(422)578"
)


def read(kitchen: Kitchen, *texts: str) -> Any:
    return kitchen.keeper.made("/labels/read", {"texts": list(texts)})


def refused(kitchen: Kitchen, *texts: str) -> Any:
    answer = kitchen.keeper.post("/labels/read", {"texts": list(texts)})
    assert answer.status_code == 422, answer.text
    return answer.json()


def said(found: Any, what: str) -> set[str]:
    return {each["field"] for each in found[what]}


def test_a_carton_says_everything_that_receiving_needs(kitchen: Kitchen) -> None:
    kitchen.manager.made("/products", HERRING)
    found = read(kitchen, CARTON)
    assert found["gtin"] == GTIN
    assert found["supplier_lot"] == "A77"
    assert (found["harvested_from"], found["harvested_to"]) == ("2026-08-01", "2026-08-03")
    assert (found["frozen_on"], found["best_before"]) == ("2026-08-04", "2027-07-31")
    assert found["mass"] == {"value": 10.0, "unit": "kg", "g": 10_000}
    assert (found["species"], found["species_name"]) == ("HER", "Atlantic herring")
    assert (found["catch_area"], found["gear"]) == ("27.4.A", "TM")
    assert found["production_method"] == "caught at sea"
    assert found["origin_countries"] == [{"code": "578", "name": "Norway"}]
    assert found["product"]["code"] == "HER-GTIN-10"
    assert found["contradictions"] == found["unknown"] == []
    assert said(found, "missing") == {"cartons"}


def test_what_a_pallet_says_can_be_sent_as_a_line_of_a_delivery(kitchen: Kitchen) -> None:
    kitchen.manager.made("/products", HERRING)
    found = read(
        kitchen, f"(00)106141412345678908(02){GTIN}(37)64(10)A77", "(7007)260801(4331)001800-"
    )
    assert found["max_temperature"] == {"value": -18.0, "unit": "c", "c": -18.0}
    assert (found["count"], found["sscc"]) == (64, "106141412345678908")
    line = {name: value for name, value in found["line"].items() if value is not None}
    assert line == {
        "product": "HER-GTIN-10",
        "supplier_lot": "A77",
        "caught_from": "2026-08-01",
        "caught_to": "2026-08-01",
        "cartons": 64,
    }
    delivery = {"supplier": "NORD", "lots": [line | {"place": "FZ1"}]}
    lot = kitchen.commissary.made("/deliveries", delivery)["lots"][0]
    assert (lot["mass"]["g"], lot["cartons"]) == (640_000, 64)


def test_reading_a_label_stores_nothing(small_kitchen: Kitchen) -> None:
    read(small_kitchen, CARTON)  # the keeper's token is in the trail from here on
    before = small_kitchen.manager.shown("/audit?limit=500")["items"]
    read(small_kitchen, CARTON)
    assert small_kitchen.manager.shown("/audit?limit=500")["items"] == before


@pytest.mark.parametrize("separator", ["\x1d", "<GS>", "{GS}", "\\x1d", "^]", "\u241d"])
@pytest.mark.parametrize("symbology", ["", "]C1", "]d2", "]Q3", "]e0"])
def test_a_scanner_may_write_the_separator_and_the_symbology_as_it_likes(
    small_kitchen: Kitchen, separator: str, symbology: str
) -> None:
    raw = f"{symbology}01{GTIN}10A77{separator}7007260801260803{separator}3102001250"
    found = read(small_kitchen, raw)
    assert (found["gtin"], found["supplier_lot"]) == (GTIN, "A77")
    assert found["harvested_to"] == "2026-08-03"
    assert found["mass"] == {"value": 12.5, "unit": "kg", "g": 12_500}
    assert found["codes"][0]["symbology"] == (symbology or None)


def test_a_link_and_a_bare_article_number_say_the_same_article(small_kitchen: Kitchen) -> None:
    link = "https://example.org/fish/01/9506000134352/10/A%2F77?7007=260801&lang=en"
    found = read(small_kitchen, link, "9506000134352")
    assert (found["gtin"], found["supplier_lot"]) == (GTIN, "A/77")
    assert found["harvested_from"] == "2026-08-01"


def test_a_lot_keeps_its_case_and_its_zeros(small_kitchen: Kitchen) -> None:
    assert read(small_kitchen, f"(01){GTIN}(10)00a7(B)")["supplier_lot"] == "00a7(B)"


@pytest.mark.parametrize(
    ("text", "because"),
    [
        ("(01)09506000134353", "check digit is 2"),
        ("(00)106141412345678907(37)1", "check digit is 8"),
        (f"(01){GTIN}(7007)261301", "month 13"),
        (f"(01){GTIN}(7007)260231", "day 31"),
        (f"(01){GTIN}(7006)260800", "day 00"),
        (f"(01){GTIN}(7007)260803260801", "ends before it begins"),
        (f"(01){GTIN}(10)ABCDEFGHIJKLMNOPQRSTU", "1 to 20 characters"),
        (f"(01){GTIN}(10)Ä77", "1 to 20 characters"),
        (f"(01){GTIN}(3102)1250", "6 digits"),
        (f"]C101{GTIN}7006260804700726080110A77", "separator (FNC1) behind it is missing"),
        ("(01)09506000134352(4331)001800+", "hyphen"),
        ("HER261125AAM", "a character was read wrong"),
        ("hello", "neither a GS1 code nor one of ours"),
        ("]C1", "empty"),
    ],
)
def test_what_is_wrong_is_said_precisely(small_kitchen: Kitchen, text: str, because: str) -> None:
    problem = refused(small_kitchen, f"(01){GTIN}", text)
    (error,) = problem["errors"]
    assert error["field"] == "texts.1"
    assert because in error["message"]
    assert problem["read"]["gtin"] == GTIN, "the rest of the label is read all the same"


def test_every_fault_is_said_at_once(small_kitchen: Kitchen) -> None:
    problem = refused(small_kitchen, "(01)09506000134353(7007)260231(15)269931", "hello")
    assert len(problem["errors"]) == 4


def test_identifiers_that_are_not_read_here_are_listed(small_kitchen: Kitchen) -> None:
    found = read(small_kitchen, f"]d201{GTIN}8200https://example.org\x1d10A77")
    assert found["unknown"] == [{"ai": "8200", "value": "https://example.org"}]
    assert found["supplier_lot"] == "A77"


@pytest.mark.parametrize(
    ("texts", "field"),
    [
        (["(01)09506000134352(10)A77", "(10)A78"], "supplier_lot"),
        (["(01)09506000134352(7007)260804(7006)260803"], "frozen_on"),
        (["(01)09506000134352(7007)270101"], "harvested_from"),
        (["(01)09506000134352(15)260101(7006)260804"], "best_before"),
        (["(01)09506000134352(7008)CAP"], "species"),
        (["(01)09506000134352(3102)001250"], "mass"),
        (["(01)09506000134352(3102)001000(3201)000250"], "mass"),
        (["(01)09506000134352(02)09506000134352(37)12"], "(01)"),
        (["(00)106141412345678908(4330)000000(4331)001800-"], "max_temperature"),
    ],
)
def test_what_does_not_fit_together_is_said_and_never_chosen_between(
    small_kitchen: Kitchen, texts: list[str], field: str
) -> None:
    small_kitchen.manager.made("/products", HERRING)
    found = read(small_kitchen, *texts)
    assert field in said(found, "contradictions")
    line = found["line"]
    filled = {
        "supplier_lot": line["supplier_lot"],
        "frozen_on": line["frozen_on"],
        "harvested_from": line["caught_from"],
        "best_before": line["best_before"],
        "species": line["product"],
        "mass": line["mass"],
    }
    assert filled.get(field) is None


def test_pounds_and_kilograms_of_the_same_carton_agree_as_far_as_they_are_printed(
    small_kitchen: Kitchen,
) -> None:
    found = read(small_kitchen, f"(01){GTIN}(3102)001134(3201)000250")
    assert found["contradictions"] == []
    assert found["mass"] == {"value": 11.34, "unit": "kg", "g": 11_340}
    pounds = read(small_kitchen, f"(01){GTIN}(3201)000250")["mass"]
    assert pounds == {"value": 25.0, "unit": "lb", "g": 11_340}


def test_a_lot_alone_asks_for_the_other_code(small_kitchen: Kitchen) -> None:
    found = read(small_kitchen, "(10)A77")
    assert {"(10)", "product", "caught_from"} <= said(found, "missing")


def test_an_article_that_two_products_have_is_not_guessed(small_kitchen: Kitchen) -> None:
    small_kitchen.manager.made("/products", HERRING)
    small_kitchen.manager.made("/products", HERRING | {"code": "HER-2", "gtin": GTIN})
    found = read(small_kitchen, CARTON)
    assert found["product"] is None and found["line"]["product"] is None
    assert "gtin" in said(found, "contradictions")


def test_our_own_labels_are_known_again(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    batch = kitchen.pulled(lot, "10 kg")["code"]
    own = kitchen.keeper.made("/labels/read", {"text": lot.lower()})["ours"]
    assert own == {"kind": "lot", "code": lot, "known": True}
    own = kitchen.keeper.made("/labels/read", {"text": f" {batch}\r\n"})["ours"]
    assert own == {"kind": "thaw_batch", "code": batch, "known": True}
    assert read(kitchen, "HER261125AAN")["ours"]["known"] is False


def test_years_of_two_digits_lie_around_the_year_of_the_clock(small_kitchen: Kitchen) -> None:
    small_kitchen.clock.at = datetime.fromisoformat("2026-11-25T06:00:00+00:00")
    assert read(small_kitchen, f"(01){GTIN}(17)770600")["use_by"] == "1977-06-30"
    assert read(small_kitchen, f"(01){GTIN}(17)760600")["use_by"] == "2076-06-30"


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({}, "body"),
        ({"text": "a", "texts": ["b"]}, "body"),
        ({"texts": []}, "texts"),
        ({"text": ""}, "text"),
        ({"text": "a", "photo": "b"}, "photo"),
        ({"texts": ["a", 7]}, "texts.1"),
    ],
)
def test_a_body_of_another_shape_is_refused_by_its_field(
    small_kitchen: Kitchen, body: Any, field: str
) -> None:
    answer = small_kitchen.keeper.post("/labels/read", body)
    assert answer.status_code == 422, answer.text
    assert [e["field"] for e in answer.json()["errors"]] == [field]
