"""What is malformed is refused by name, as a problem document, and leaves nothing behind."""

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlmodel import col, func, select

from service.security.models import AuditEntry
from tests.conftest import Templates, fresh_address
from tests.kitchen import Kitchen, Person

JSON = {"Content-Type": "application/json"}
NUL = "a\0b"
HUGE = 2**70  # no row has this number, and no database takes it


def entries(kitchen: Kitchen) -> int:
    """How many writes the audit trail knows."""
    with kitchen.looking() as session:
        return int(session.exec(select(func.count(col(AuditEntry.id)))).one())


def assert_problem(answer: httpx.Response, status: int, kind: str, field: str | None) -> None:
    """RFC 9457, section 3: the members type, title, status, detail; ours: next, errors."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    body = answer.json()
    assert body["status"] == status
    assert body["type"] == f"/problems/{kind}"
    assert body["title"] and body["detail"] and body["next"]
    if field is not None:
        assert field in [error["field"] for error in body["errors"]], body
        assert all(error["message"] for error in body["errors"])


def delivery(**line: Any) -> dict[str, Any]:
    lot = {"product": "HER-BLOCK-10", "caught_from": "2026-08-01", "mass": "10 kg", "place": "FZ1"}
    return {"supplier": "NORD", "arrived_at": "2026-11-02T09:40:00Z", "lots": [lot | line]}


def weighing(**more: Any) -> dict[str, Any]:
    return {"mass": "104 kg"} | more


REFUSED: list[tuple[str, Any, str]] = [
    ("/suppliers", {"code": "X1", "name": "Xi", "colour": "red"}, "colour"),
    ("/suppliers", {"code": "X1"}, "name"),
    ("/suppliers", {"code": "two words", "name": "Xi"}, "code"),
    ("/suppliers", {"code": "x" * 41, "name": "Xi"}, "code"),
    ("/suppliers", {"code": "X1", "name": NUL}, "name"),
    ("/suppliers", {"code": 17, "name": "Xi"}, "code"),
    ("/places", {"code": "P9", "name": "Pi", "kind": "cellar"}, "kind"),
    ("/deliveries", delivery(colour="red"), "lots.0.colour"),
    ("/deliveries", delivery(mass="25 stone"), "lots.0.mass"),
    ("/deliveries", delivery(mass=0), "lots.0.mass"),
    ("/deliveries", delivery(cartons=0), "lots.0.cartons"),
    ("/deliveries", delivery(cartons=10**30), "lots.0.cartons"),
    ("/deliveries", delivery(caught_from="2026-11-03"), "lots.0.caught_from"),
    ("/deliveries", delivery(frozen_on="2026-11-03"), "lots.0.frozen_on"),
    ("/deliveries", delivery(caught_to="2026-07-31"), "lots.0.caught_to"),
    ("/deliveries", delivery(caught_from=None, caught_to="2026-08-03"), "lots.0.caught_from"),
    ("/deliveries", delivery(caught_from="2026-02-30"), "lots.0.caught_from"),
    ("/deliveries", delivery(caught_from=1_785_542_400), "lots.0.caught_from"),
    ("/deliveries", delivery(caught_from="1785542400"), "lots.0.caught_from"),
    ("/deliveries", delivery(best_before="9999-12-31"), "lots.0.best_before"),
    ("/deliveries", delivery(supplier_lot=NUL), "lots.0.supplier_lot"),
    ("/deliveries", delivery(core_temperatures=["NaN °C"]), "lots.0.core_temperatures.0"),
    ("/deliveries", delivery(core_temperatures=["-inf °C"]), "lots.0.core_temperatures.0"),
    ("/deliveries", delivery(core_temperatures=["-500 °C"]), "lots.0.core_temperatures.0"),
    ("/deliveries", delivery(core_temperatures=[-20]), "lots.0.core_temperatures.0"),
    ("/deliveries", delivery() | {"lots": []}, "lots"),
    ("/deliveries", delivery() | {"arrived_at": "2026-11-25T07:00:00Z"}, "arrived_at"),
    ("/deliveries", delivery() | {"vehicle_temperature": "cold"}, "vehicle_temperature"),
    ("/animals/BRINE/weights", weighing(occurred_at="2026-11-25T05:00:00"), "occurred_at"),
    ("/animals/BRINE/weights", weighing(occurred_at="2026-11-25T07:00:00Z"), "occurred_at"),
    ("/animals/BRINE/weights", weighing(occurred_at="0001-01-01T00:00:00+14:00"), "occurred_at"),
    ("/animals/BRINE/weights", weighing(occurred_at="9999-12-31T23:59:59-14:00"), "occurred_at"),
    ("/animals/BRINE/weights", weighing(occurred_at=1_764_050_400), "occurred_at"),
    ("/animals/BRINE/weights", weighing(occurred_at="1764050400"), "occurred_at"),
    ("/animals/BRINE/weights", weighing(occurred_at="yesterday"), "occurred_at"),
    (
        "/pulls",
        {"lot": "L", "from_place": "FZ1", "to_place": "TANK1", "mass": "1 kg", "parcel": HUGE},
        "parcel",
    ),
    (
        "/counts",
        {
            "lot": "L",
            "place": "FZ1",
            "mass": "1 kg",
            "reason": "recount",
            "override": [],
        },
        "override",
    ),
    (
        "/pulls",
        {
            "lot": "L",
            "from_place": "FZ1",
            "to_place": "TANK1",
            "mass": "1 kg",
            "override": [{"rule": "older-lot-first", "reason": NUL}],
        },
        "override.0.reason",
    ),
]


def test_what_is_malformed_is_refused_by_its_name_and_leaves_nothing(
    small_kitchen: Kitchen,
) -> None:
    before = small_kitchen.balance(), entries(small_kitchen)
    for address, body, field in REFUSED:
        assert_problem(small_kitchen.manager.post(address, body), 422, "validation", field)
        assert (small_kitchen.balance(), entries(small_kitchen)) == before, body


NO_MASSES: list[Any] = [
    "25 stone",
    "25",
    25,
    0,
    True,
    None,
    [],
    "",
    "kg",
    "NaN kg",
    "inf kg",
    "-1 kg",
    "1e5 kg",
    "0 kg",
    "0.0004 kg",
    "1,5 kg",
    "1.5.2 kg",
    "٣ kg",
    "5 lbſ",
    "1 kg\0",
    "9" * 5000 + " kg",
    "1000001 kg",
    {"value": "1"},
    {"value": "1", "unit": "stone"},
    {"value": "1", "unit": "kg", "more": 1},
    {"value": None, "unit": "kg"},
    {"value": "1\0", "unit": "kg"},
]


def test_a_mass_is_a_positive_number_and_a_unit_and_nothing_else(small_kitchen: Kitchen) -> None:
    for mass in NO_MASSES:
        answer = small_kitchen.keeper.post("/animals/BRINE/weights", {"mass": mass})
        assert_problem(answer, 422, "validation", "mass")


def test_a_mass_may_be_said_in_any_unit_of_the_kitchen(small_kitchen: Kitchen) -> None:
    for mass in ("11.3 kg", "11.3\u00a0kg", "25 lb", "25 LBS", "400 oz", "9000g"):
        small_kitchen.keeper.made("/animals/BRINE/weights", {"mass": mass})


@pytest.mark.parametrize("token", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_numbers_that_are_none_are_refused_though_a_sender_writes_them_raw(
    small_kitchen: Kitchen, token: str
) -> None:
    contents = f'[{{"nutrient":"THIA","amount":{token},"unit":"mg"}}]'
    amount = f'{{"code":"B1","name":"B1","form":"tablet","contents":{contents}}}'
    assert_problem(
        small_kitchen.manager.post("/supplement-products", content=amount, headers=JSON),
        422,
        "validation",
        "contents.0.amount",
    )
    policy = f'{{"changes":{{"preparation_minutes":{token}}},"reason":"a test of the policy"}}'
    assert_problem(
        small_kitchen.manager.ask("PUT", "/sites/main/policy", content=policy, headers=JSON),
        422,
        "validation",
        "changes.preparation_minutes",
    )


NO_OBJECTS = [
    b'{"code": "X1", "name": ',
    b"",
    b"[]",
    b"null",
    b'"text"',
    b'{"code": "X1", "name": "\xe9"}',
    b'{"code":' + b"[" * 100_000 + b"]" * 100_000 + b"}",
    b'{"code":' + b"9" * 5_000 + b"}",
]


def test_a_body_that_is_no_json_object_is_refused(small_kitchen: Kitchen) -> None:
    for content in NO_OBJECTS:
        answer = small_kitchen.manager.post("/suppliers", content=content, headers=JSON)
        assert_problem(answer, 422, "validation", "body")


def test_half_of_a_surrogate_pair_is_no_text(small_kitchen: Kitchen) -> None:
    body = b'{"code": "X1", "name": "a\\ud800b"}'
    answer = small_kitchen.manager.post("/suppliers", content=body, headers=JSON)
    assert_problem(answer, 422, "validation", "name")


@pytest.mark.parametrize("kind", ["text/plain", "application/x-www-form-urlencoded", "image/png"])
def test_a_body_of_another_content_type_is_told_which_one_to_send(
    small_kitchen: Kitchen, kind: str
) -> None:
    body = b'{"code":"X1","name":"Xi"}'
    answer = small_kitchen.manager.post("/suppliers", content=body, headers={"Content-Type": kind})
    assert_problem(answer, 422, "validation", "Content-Type")
    assert kind in answer.json()["detail"]


IMPOSSIBLE: list[tuple[str, int, str]] = [
    (f"/movements/{HUGE}", 422, "movement"),
    (f"/movements/{2**31}", 422, "movement"),
    ("/movements/9999", 404, "movement"),
    ("/movements/first", 422, "movement"),
    (f"/thaw-requests/{HUGE}", 422, "thaw_request"),
    (f"/supplement-plans/{HUGE}", 422, "plan_id"),
    (f"/deliveries/{HUGE}", 422, "delivery"),
    ("/lots/a%00b", 422, "lot"),
    ("/animals/a%00b", 422, "animal"),
    ("/stock?species=a%00b", 422, "species"),
    ("/stock?lot=a%00b", 422, "lot"),
    ("/stock?lot=NONE", 404, "lot"),
    ("/stock?place=NONE", 404, "place"),
    ("/audit?subject=a%00b", 422, "subject"),
    ("/lots?limit=0", 422, "limit"),
    ("/lots?limit=501", 422, "limit"),
    ("/lots?limit=1e3", 422, "limit"),
    ("/lots?order=by_taste", 422, "order"),
    ("/animals/BRINE/intake?from=9999-12-01&to=9999-12-31", 422, "from"),
    ("/animals/BRINE/intake?to=0001-01-01", 422, "to"),
    ("/animals/BRINE/intake?from=2026-11-02&to=2026-11-01", 422, "to"),
    ("/animals/BRINE/intake?from=2020-01-01&to=2026-11-01", 422, "from"),
]


def test_an_address_with_an_impossible_part_is_refused_by_its_name_on_both_databases(
    kitchen: Kitchen,
) -> None:
    for asked, status, field in IMPOSSIBLE:
        kind = "validation" if status == 422 else f"unknown-{field}"
        assert_problem(kitchen.manager.get(asked), status, kind, field)


def test_a_text_with_a_nul_is_refused_alike_by_both_databases(kitchen: Kitchen) -> None:
    boss = kitchen.manager
    assert_problem(boss.post("/suppliers", {"code": "X1", "name": NUL}), 422, "validation", "name")
    assert_problem(
        boss.put("/sites/main/policy", {"changes": {"preparation_minutes": 30}, "reason": NUL}),
        422,
        "validation",
        "reason",
    )
    assert_problem(boss.put("/sites/main", {"timezone": NUL}), 422, "validation", "timezone")
    assert_problem(
        boss.post("/suppliers", {"code": "X1", "name": "Xi"}, headers={"Idempotency-Key": NUL}),
        422,
        "validation",
        "Idempotency-Key",
    )
    assert boss.post("/suppliers", {"code": "X1", "name": "Xi"}).status_code == 201


def test_no_number_in_a_body_is_too_large_for_a_database_to_say_so_by_name(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot()["code"]
    order = {"lot": lot, "from_place": "FZ1", "to_place": "TANK1", "mass": "10 kg"}
    for field in ("parcel", "thaw_request"):
        for number in (HUGE, 2**31, -1):
            answer = kitchen.keeper.post("/pulls", order | {field: number})
            assert_problem(answer, 422, "validation", field)
        kind = f"unknown-{field.replace('_', '-')}"
        assert_problem(kitchen.keeper.post("/pulls", order | {field: 999}), 404, kind, field)
    assert kitchen.balance()["parcels"] == 100_000


@pytest.fixture
def narrow(templates: Templates, tmp_path: Path) -> Iterator[Kitchen]:
    """A kitchen that reads bodies of at most two thousand bytes."""
    for address in fresh_address("sqlite", templates, tmp_path):
        opened = Kitchen(address, tmp_path, settings={"max_body_bytes": 2000})
        yield opened.set_up()
        opened.close()


def test_a_body_over_the_limit_is_refused_with_413_and_one_at_the_limit_is_read(
    narrow: Kitchen,
) -> None:
    frame = len(b'{"code":"X1","name":""}')
    longest = b'{"code":"X1","name":"' + b"x" * (2000 - frame) + b'"}'
    at_limit = narrow.manager.post("/suppliers", content=longest, headers=JSON)
    assert_problem(at_limit, 422, "validation", "name")
    over = narrow.manager.post("/suppliers", content=longest + b" ", headers=JSON)
    assert_problem(over, 413, "too-large", None)
    assert "2000" in over.json()["detail"]
    readings = narrow.manager.post("/readings", content=b" " * 2001, headers=JSON)
    assert_problem(readings, 413, "too-large", None)


def test_a_body_that_does_not_say_its_length_is_counted_while_it_is_read(narrow: Kitchen) -> None:
    async def in_pieces() -> Any:
        for _ in range(3):
            yield b" " * 1000

    answer = narrow.manager.ask("POST", "/suppliers", content=in_pieces(), headers=JSON)
    assert_problem(answer, 413, "too-large", None)


def test_a_stranger_is_turned_away_before_a_body_is_read(narrow: Kitchen) -> None:
    for who, status in ((narrow.stranger, 401), (narrow.keeper, 403)):
        answer = who.post("/suppliers", content=b" " * 5000, headers=JSON)
        assert answer.status_code == status


def test_what_is_at_no_address_is_a_problem_document_too(small_kitchen: Kitchen) -> None:
    boss = small_kitchen.manager
    assert_problem(boss.get("/nothing"), 404, "unknown-address", None)
    assert_problem(boss.ask("DELETE", "/lots"), 405, "unknown-method", None)


UNKNOWN: list[tuple[str, Any, str, str]] = [
    ("/places", {"code": "P9", "name": "Pi", "kind": "ice", "site": "NONE"}, "site", "site"),
    ("/places", {"code": "P9", "name": "Pi", "kind": "ice", "parent": "NONE"}, "place", "parent"),
    ("/probes", {"code": "Q9", "place": "NONE"}, "place", "place"),
    (
        "/products",
        {"code": "R9", "species": "ZZZ", "supplier": "NORD", "form": "iqf", "carton_mass": "1 kg"},
        "species",
        "species",
    ),
    (
        "/products",
        {"code": "R9", "species": "HER", "supplier": "NONE", "form": "iqf", "carton_mass": "1 kg"},
        "supplier",
        "supplier",
    ),
    ("/deliveries", delivery() | {"supplier": "NONE"}, "supplier", "supplier"),
    ("/deliveries", delivery(product="NONE"), "product", "lots.0.product"),
    ("/deliveries", delivery(place="NONE"), "place", "lots.0.place"),
    (
        "/moves",
        {"lot": "NONE", "from_place": "FZ1", "to_place": "FZ2", "mass": "1 kg"},
        "lot",
        "lot",
    ),
    (
        "/moves",
        {"lot": "{lot}", "from_place": "NONE", "to_place": "FZ2", "mass": "1 kg"},
        "place",
        "from_place",
    ),
    (
        "/moves",
        {"lot": "{lot}", "from_place": "FZ1", "to_place": "NONE", "mass": "1 kg"},
        "place",
        "to_place",
    ),
    (
        "/counts",
        {"lot": "{lot}", "place": "NONE", "mass": "1 kg", "reason": "recount"},
        "place",
        "place",
    ),
    (
        "/counts",
        {"lot": "NONE", "place": "FZ1", "mass": "1 kg", "reason": "recount"},
        "lot",
        "lot",
    ),
    (
        "/pulls",
        {"lot": "{lot}", "from_place": "FZ1", "to_place": "NONE", "mass": "1 kg"},
        "place",
        "to_place",
    ),
    (
        "/pulls",
        {"lot": "{lot}", "from_place": "NONE", "to_place": "TANK1", "mass": "1 kg"},
        "place",
        "from_place",
    ),
    (
        "/pulls",
        {"lot": "NONE", "from_place": "FZ1", "to_place": "TANK1", "mass": "1 kg"},
        "lot",
        "lot",
    ),
    ("/thaw-requests", {"day": "2026-11-26", "thaw_place": "NONE"}, "place", "thaw_place"),
    (
        "/thaw-requests",
        {
            "first_feed_at": "2026-11-26T08:00:00Z",
            "last_feed_at": "2026-11-26T09:00:00Z",
            "thaw_place": "TANK1",
            "lines": [{"species": "HER", "mass": "1 kg"}, {"species": "ZZZ", "mass": "1 kg"}],
        },
        "species",
        "lines.1.species",
    ),
    (
        "/animals",
        {"code": "A9", "name": "Alfa", "taxon": "T", "group": "otter", "site": "NONE"},
        "site",
        "site",
    ),
    ("/animals/NONE/weights", {"mass": "1 kg"}, "animal", "animal"),
    (
        "/animals/BRINE/diets",
        {"from": "2026-11-01", "items": [{"species": "ZZZ", "mass": "1 kg"}]},
        "species",
        "items.0.species",
    ),
    (
        "/feeds",
        {"animal": "NONE", "items": [{"thaw_batch": "B", "offered": "1 kg", "eaten": "1 kg"}]},
        "animal",
        "animal",
    ),
    (
        "/feeds",
        {"animal": "BRINE", "items": [{"thaw_batch": "B", "offered": "1 kg", "eaten": "1 kg"}]},
        "thaw-batch",
        "items.0.thaw_batch",
    ),
    (
        "/requirements",
        {"nutrient": "THIA", "amount": 1, "unit": "mg", "applies_to": {"animal": "NONE"}},
        "animal",
        "applies_to.animal",
    ),
    (
        "/requirements",
        {"nutrient": "THIA", "amount": 1, "unit": "mg", "applies_to": {"site": "NONE"}},
        "site",
        "applies_to.site",
    ),
    ("/supplement-plans", {"animal": "NONE", "day": "2026-11-25"}, "animal", "animal"),
]


def test_an_unknown_code_in_a_body_is_404_and_names_its_field(small_kitchen: Kitchen) -> None:
    lot = small_kitchen.a_lot()["code"]
    boss = small_kitchen.manager
    before = small_kitchen.balance(), entries(small_kitchen)
    for address, said, what, field in UNKNOWN:
        body = json.loads(json.dumps(said).replace("{lot}", lot))
        assert_problem(boss.post(address, body), 404, f"unknown-{what}", field)
        assert (small_kitchen.balance(), entries(small_kitchen)) == before, body


def test_a_supplement_that_nobody_set_up_is_404_and_names_its_line(small_kitchen: Kitchen) -> None:
    small_kitchen.nutritionist.made(
        "/animals/BRINE/diets",
        {"from": "2026-11-01", "items": [{"species": "HER", "mass": "1 kg"}]},
    )
    plan = small_kitchen.nutritionist.made(
        "/supplement-plans", {"animal": "BRINE", "day": "2026-11-25"}
    )
    answer = small_kitchen.manager.post(
        f"/supplement-plans/{plan['id']}/given", {"supplements": [{"product": "NONE", "count": 1}]}
    )
    assert_problem(answer, 404, "unknown-supplement-product", "supplements.0.product")


def test_codes_are_found_in_any_case_and_shown_in_upper_case(small_kitchen: Kitchen) -> None:
    lot = small_kitchen.a_lot()["code"]
    assert small_kitchen.keeper.shown(f"/lots/{lot.lower()}")["code"] == lot
    assert small_kitchen.keeper.shown("/animals/brine")["code"] == "BRINE"
    assert small_kitchen.keeper.shown("/stock?place=fz1&species=her")["items"][0]["lot"] == lot
    made = small_kitchen.manager.made("/suppliers", {"code": "sud", "name": "Southern Fish"})
    assert made["code"] == "SUD"
    again = small_kitchen.manager.post("/suppliers", {"code": "Sud", "name": "Southern Fish"})
    assert_problem(again, 409, "already-exists", "code")


def test_refusals_come_in_one_order_whatever_else_is_wrong(kitchen: Kitchen) -> None:
    """401, 403, 422, 404, idempotency, 409: each request is wrong in all that follow it."""
    key = {"Idempotency-Key": "once"}
    kitchen.manager.made("/places", {"code": "P1", "name": "Pi", "kind": "ice"}, headers=key)

    taken = {"code": "FZ1", "name": "Pi", "kind": "ice"}
    unknown = taken | {"parent": "NONE"}
    malformed = unknown | {"kind": "cellar"}

    def asked(who: Person, body: Any) -> httpx.Response:
        return who.post("/places", body, headers=key)

    assert_problem(asked(kitchen.stranger, malformed), 401, "not-authenticated", None)
    assert_problem(asked(kitchen.keeper, malformed), 403, "not-allowed", None)
    assert_problem(asked(kitchen.manager, malformed), 422, "validation", "kind")
    assert_problem(asked(kitchen.manager, unknown), 404, "unknown-place", "parent")
    assert_problem(asked(kitchen.manager, taken), 409, "idempotency-mismatch", None)
    other = kitchen.manager.post("/places", taken, headers={"Idempotency-Key": "twice"})
    assert_problem(other, 409, "already-exists", "code")


def test_an_impossible_instant_or_date_is_told_before_an_unknown_code(
    small_kitchen: Kitchen,
) -> None:
    """422 comes before 404 for whatever can be judged without knowing the code."""
    boss = small_kitchen.manager
    tomorrow = "2026-11-26T06:00:00Z"
    for address, body in (
        ("/pulls", {"lot": "L", "from_place": "F", "to_place": "T", "mass": "1 kg"}),
        ("/moves", {"lot": "L", "from_place": "F", "to_place": "T", "mass": "1 kg"}),
        ("/counts", {"lot": "L", "place": "F", "mass": "1 kg", "reason": "recount"}),
        ("/animals/NONE/weights", {"mass": "1 kg"}),
        (
            "/feeds",
            {"animal": "A", "items": [{"thaw_batch": "B", "offered": "1 kg", "eaten": "1 kg"}]},
        ),
        ("/thaw-batches/B/thawed", {}),
        ("/thaw-batches/B/discard", {"mass": "1 kg", "reason": "spoiled"}),
        ("/thaw-batches/B/put-back", {"mass": "1 kg", "to_place": "F"}),
        ("/supplement-plans/99/given", {"supplements": [{"product": "P", "count": 1}]}),
    ):
        answer = boss.post(address, {**body, "occurred_at": tomorrow})
        assert_problem(answer, 422, "validation", "occurred_at")
    late = delivery(product="NONE", caught_from="2026-11-04")
    assert_problem(boss.post("/deliveries", late), 422, "validation", "lots.0.caught_from")
    future = delivery(product="NONE") | {"arrived_at": tomorrow}
    assert_problem(boss.post("/deliveries", future), 422, "validation", "arrived_at")


def test_a_lot_is_not_found_before_a_hold_of_it_is_refused_by_another_site(
    small_kitchen: Kitchen,
) -> None:
    answer = small_kitchen.manager.post("/lots/NONE/holds", {"reason": "recall"})
    assert_problem(answer, 404, "unknown-lot", "lot")
    answer = small_kitchen.manager.post("/holds/77/release", {"reason": "recall is over"})
    assert_problem(answer, 404, "unknown-hold", "hold")


def test_an_instant_is_stored_and_shown_in_utc_whatever_zone_it_was_sent_in(
    kitchen: Kitchen,
) -> None:
    weight = kitchen.keeper.made(
        "/animals/BRINE/weights", weighing(occurred_at="2026-11-25T10:00:00+05:00")
    )
    assert datetime.fromisoformat(weight["occurred_at"]) == datetime(2026, 11, 25, 5, tzinfo=UTC)
    assert weight["occurred_at"].endswith("Z")


def test_nothing_is_stored_when_the_last_line_of_many_is_wrong(kitchen: Kitchen) -> None:
    commissary = kitchen.commissary
    before = kitchen.balance(), entries(kitchen)
    good = delivery()
    good["lots"] = [*good["lots"] * 5, delivery(place="NONE")["lots"][0]]
    assert_problem(commissary.post("/deliveries", good), 404, "unknown-place", "lots.5.place")
    assert (kitchen.balance(), entries(kitchen)) == before
