"""Requests made at random from our own description: none ever fails inside.

Half of what is made up is filled with codes that exist, so that requests get
past the first check. Bounded and repeatable: the same requests every time.
"""

from random import Random
from typing import Any

import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from service.security import audit
from tests.kitchen import Kitchen

EXAMPLES = 12  # of each operation
AS_DESCRIBED = [status_code_conformance, content_type_conformance, response_schema_conformance]


def words(kitchen: Kitchen) -> dict[str, list[Any]]:
    """What exists in a kitchen at work, by the name of the field that asks for it."""
    lots = [kitchen.a_lot()["code"], kitchen.a_lot("CAP")["code"]]
    batch = kitchen.pulled(lots[0], "20 kg")["code"]
    diet = {"from": "2026-11-01", "items": [{"species": "HER", "mass": "3 kg"}]}
    kitchen.nutritionist.made("/animals/BRINE/diets", diet)
    tablet = {
        "code": "B1-100",
        "name": "Thiamine 100 mg tablet",
        "form": "tablet",
        "contents": [{"nutrient": "THIA", "amount": 100, "unit": "mg"}],
    }
    kitchen.nutritionist.made("/supplement-products", tablet)
    jar = {"product": "B1-100", "code": "A 1", "expires_on": "2027-06-30", "received": 10}
    jar_id = kitchen.commissary.made("/supplement-batches", jar)["batch"]["id"]
    order = {"animal": "BRINE", "day": "2026-11-25"}
    plan = kitchen.nutritionist.made("/supplement-plans", order)["id"]
    kitchen.vet.made(f"/supplement-plans/{plan}/sign-off", {})
    hold = kitchen.keeper.made(f"/lots/{lots[1]}/holds", {"reason": "recall"})["id"]
    need = {"day": "2026-11-26", "thaw_place": "TANK1"}
    request = kitchen.keeper.made("/thaw-requests", need)["id"]
    inspection = kitchen.commissary.made("/deliveries/1/inspections", {})["id"]
    places = ["FZ1", "FZ2", "COOL", "ROOM", "TANK1", "KITCHEN"]
    instants = ["2026-11-25T06:00:00Z", "2026-11-01T00:00:00Z", "1970-01-01T00:00:00Z", None]
    coming = ["2026-11-26T08:00:00Z", "2199-12-31T23:00:00Z"]
    days = ["2026-11-25", "2026-08-01", "1900-01-01", "2199-12-31"]
    known_or_not = [None, *days]
    masses = ["1 kg", "10 kg", "0 kg", "0.001 kg", "250 lb", "1000000 kg"]
    return {
        "lot": lots,
        "thaw_batch": [batch],
        "animal": ["BRINE"],
        "supplier": ["NORD"],
        "product": ["HER-BLOCK-10", "CAP-IQF-12", "B1-100"],
        "species": ["HER", "CAP", "SPR"],
        "site": ["MAIN"],
        "probe": ["FZ1-AIR"],
        "hold": [hold],
        "movement": [1, 2, 3],
        "delivery": [1],
        "plan_id": [plan],
        "batch": [jar_id],
        "expires_on": ["2027-06", "2026-11-25", "1900-01-01", "2199-12-31"],
        "inspection": [inspection],
        "corrects": [inspection, None],
        "item": ["box_ice", "core_temp", "lens_frozen"],
        "carton": [1, 10, 10**9],
        "photos": [[], ["0" * 64]],
        "thaw_request": [request, None],
        "parcel": [1, 2, 3, None],
        **dict.fromkeys(("place", "from_place", "to_place", "thaw_place", "parent"), places),
        **dict.fromkeys(("occurred_at", "arrived_at", "at"), instants),
        **dict.fromkeys(("first_feed_at", "last_feed_at"), coming),
        **dict.fromkeys(("day", "from", "to", "sampled_on", "born_on", "caught_from"), days),
        **dict.fromkeys(("caught_to", "frozen_on", "best_before"), known_or_not),
        **dict.fromkeys(("mass", "offered", "eaten", "left", "carton_mass"), masses),
        "core_temperatures": [[], ["-20 °C"], ["-10 °C", "0 °F"]],
        "core_temperature": ["-19 °C", "100 C", None],
        "nutrient": ["THIA", "VITE", "FAT", "WATER"],
        "unit": ["mg", "IU", "g/100g", "mg/kg", "kg"],
        "basis": ["as_fed", "dry_matter", "diet", "feeds"],
        "applies_to": [{"site": "MAIN"}, {"animal": "BRINE"}, {"group": "pinniped"}],
        "amount": [0, 1e-300, 25, 1e9],
        "count": [0.5, 1, 1000],
        "cartons": [None, 1, 1_000_000],
        "changes": [{"gap_minutes": 10}, {"preparation_minutes": 600}, {"feed_day_from": 23.9}],
        "timezone": ["Pacific/Kiritimati", "Etc/GMT+12"],
        "reason": ["because"],
        "override": [
            [],
            [{"rule": "older-lot-first", "reason": "because"}],
            [{"rule": "no-refreeze", "reason": "because"}, {"rule": "none", "reason": "because"}],
        ],
        "step": [60, 3600, 7200, 31_622_400],
        "cursor": [None],
    }


def filled(made_up: Any, known: dict[str, list[Any]], chance: Random, share: float) -> Any:
    """A made-up value with some of its fields replaced by what exists."""
    if isinstance(made_up, dict):
        return {
            name: chance.choice(known[name])
            if name in known and chance.random() < share
            else filled(value, known, chance, share)
            for name, value in made_up.items()
        }
    if isinstance(made_up, list):
        return [filled(value, known, chance, share) for value in made_up]
    return made_up


def asked(operation: Any, known: dict[str, list[Any]], token: str | None) -> int:
    """How many requests of one operation were made; each was answered as described."""
    count = 0

    @settings(
        max_examples=EXAMPLES,
        deadline=None,
        database=None,
        derandomize=True,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(
        case=operation.as_strategy(),
        chance=st.randoms(use_true_random=False),
        share=st.sampled_from([0.0, 0.8, 1.0]),
    )
    def ask(case: Any, chance: Random, share: float) -> None:
        nonlocal count
        case.path_parameters = filled(case.path_parameters or {}, known, chance, share)
        case.query = filled(case.query or {}, known, chance, share)
        case.body = filled(case.body, known, chance, share)
        case.headers = {"Authorization": f"Bearer {token}"}
        answer = case.call()
        assert answer.status_code < 500, f"{case.as_curl_command()}\n{answer.text}"
        case.validate_response(answer, checks=AS_DESCRIBED)
        if answer.status_code >= 400:
            assert answer.headers["content-type"] == ["application/problem+json"]
            assert answer.json()["next"]
        count += 1

    ask()
    return count


def test_nothing_that_our_description_allows_fails_inside_or_is_answered_otherwise(
    small_kitchen: Kitchen,
) -> None:
    known = words(small_kitchen)
    described = schemathesis.openapi.from_asgi("/openapi.json", small_kitchen.app)
    total = {}
    for found in described.get_all_operations():
        operation: Any = found.ok()  # type: ignore[union-attr]
        signs = operation.label.endswith("sign-off")  # which a manager may not
        person = small_kitchen.vet if signs else small_kitchen.manager
        total[operation.label] = asked(operation, known, person.token)
    assert len(total) > 50 and all(total.values())
    with small_kitchen.looking() as session:
        assert audit.verify(session) == []
    assert sum(small_kitchen.balance().values()) == 0, "no gram appeared or vanished"
