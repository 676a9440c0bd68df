"""The trail: every write leaves an entry, and nobody changes one unnoticed."""

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from fastapi.routing import APIRoute
from sqlalchemy import text
from sqlmodel import col, func, select

from service.app import ROUTERS
from service.cli import main
from service.excursions.models import Excursion
from service.probes.models import Probe
from service.security import audit
from service.security.actor import SERVICE
from service.security.models import AuditEntry, AuditHead
from service.security.transactions import transaction
from tests.architecture.test_rights import SENT_TO_LOOK
from tests.kitchen import Kitchen
from tests.photos.test_pictures import picture


def entries(kitchen: Kitchen) -> int:
    with kitchen.looking() as session:
        return int(session.exec(select(func.count(col(AuditEntry.id)))).one())


def broken(kitchen: Kitchen) -> list[str]:
    with kitchen.looking() as session:
        return [place.why for place in audit.verify(session)]


def other_fish(kitchen: Kitchen) -> Any:
    """Capelin is short, and herring of the same energy stands in."""
    items = [{"species": "CAP", "mass": "900 kg", "substitutes": ["HER"]}]
    new = {"code": "A9", "name": "Nona", "taxon": "T", "group": "otter", "site": "MAIN"}
    kitchen.keeper.made("/animals", new)
    diet = {"from": "2026-11-28", "items": items}
    kitchen.nutritionist.made("/animals/A9/diets", diet)
    day = {"day": "2026-11-28", "thaw_place": "TANK1"}
    number = kitchen.keeper.made("/thaw-requests", day)["id"]
    path = f"/thaw-requests/{number}/substitutions"
    made = kitchen.nutritionist.made(path, {"reason": "capelin is short"})
    kitchen.keeper.made(f"/thaw-requests/{number}/cancel", {})
    return made


def orders_of_supplements(kitchen: Kitchen) -> Iterator[tuple[str, str, Callable[[], Any]]]:
    """Signed together, given and taken back, lapsed by another diet, withdrawn."""
    nutritionist, vet = kitchen.nutritionist, kitchen.vet
    new = {"code": "A8", "name": "Octa", "taxon": "T", "group": "otter", "site": "MAIN"}
    kitchen.keeper.made("/animals", new)

    def eats(mass: str) -> None:
        diet = {"from": "2026-11-25", "items": [{"species": "HER", "mass": mass}]}
        nutritionist.made("/animals/A8/diets", diet)

    def planned() -> Any:
        order = {"animal": "A8", "day": "2026-11-25"}
        return nutritionist.made("/supplement-plans", order)["id"]

    eats("4 kg")
    plan = planned()
    path = "/supplement-plans/sign-off"
    yield "POST", path, lambda: vet.made(path, {"plans": [plan]})
    omitted = {"product": "B1-100", "count": 1, "outcome": "omitted", "reason": "asleep"}
    given = kitchen.keeper.made(f"/supplement-plans/{plan}/given", {"supplements": [omitted]})
    path, wrong = "/supplements-given/{given}/reversal", {"reason": "it was another animal"}
    address = path.format(given=given["supplements"][0]["id"])
    yield "POST", path, lambda: kitchen.keeper.made(address, wrong)
    eats("40 kg")
    path = "/supplement-orders/review"
    yield "POST", path, lambda: kitchen.keeper.made(path, {"site": "MAIN"})
    another = planned()
    vet.made(f"/supplement-plans/{another}/sign-off", {})
    path = "/supplement-plans/{plan_id}/withdrawal"
    address = path.format(plan_id=another)
    yield "POST", path, lambda: vet.made(address, {"reason": "a rash"})


def a_working_day(kitchen: Kitchen) -> Iterator[tuple[str, str, Callable[[], Any]]]:
    """Every POST and PUT of the API, each as a success: method, path template, the request."""
    boss, keeper, vet = kitchen.manager, kitchen.keeper, kitchen.vet
    commissary, nutritionist = kitchen.commissary, kitchen.nutritionist
    seen: dict[str, Any] = {}

    def keep(name: str, answer: Any) -> Any:
        seen[name] = answer
        return answer

    def put(path: str, body: Any) -> Any:
        answer = boss.put(path, body)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def reading() -> Any:
        at = "2026-11-25T05:00:00Z"
        return commissary.made("/readings", [{"probe": "Q1", "at": at, "temperature_c": -20}])

    def lot() -> str:
        code: str = seen["delivery"]["lots"][0]["code"]
        return code

    def pull() -> Any:
        body = {"lot": lot(), "from_place": "FZ1", "to_place": "TANK1", "mass": "20 kg"}
        return keep("batch", keeper.made("/pulls", body)["thaw_batch"])

    yield "POST", "/sites", lambda: boss.made("/sites", {"code": "SUD", "name": "South house"})
    yield "PUT", "/sites/{site}", lambda: put("/sites/sud", {"name": "South"})
    policy = {"changes": {"gap_minutes": 30}, "reason": "we measure often"}
    yield "PUT", "/sites/{site}/policy", lambda: put("/sites/main/policy", policy)
    place = {"code": "P1", "name": "Pi", "kind": "freezer", "site": "MAIN"}
    yield "POST", "/places", lambda: boss.made("/places", place)
    yield "POST", "/probes", lambda: boss.made("/probes", {"code": "Q1", "place": "P1"})
    yield "POST", "/suppliers", lambda: boss.made("/suppliers", {"code": "S1", "name": "Si"})
    product = {
        "code": "R1",
        "species": "SPR",
        "supplier": "S1",
        "form": "iqf",
        "carton_mass": "10 kg",
    }
    yield "POST", "/products", lambda: boss.made("/products", product)
    tablet = {
        "code": "B1-100",
        "name": "Thiamine 100 mg tablet",
        "form": "tablet",
        "contents": [{"nutrient": "THIA", "amount": 100, "unit": "mg"}],
    }
    path = "/supplement-products"
    yield "POST", path, lambda: nutritionist.made("/supplement-products", tablet)
    line = {
        "product": "HER-BLOCK-10",
        "supplier_lot": "A-77",
        "caught_from": "2026-08-01",
        "mass": "200 kg",
        "place": "FZ1",
    }
    delivery = {"supplier": "NORD", "lots": [line]}
    yield "POST", "/deliveries", lambda: keep("delivery", commissary.made("/deliveries", delivery))
    values = [{"nutrient": "FAT", "amount": 11.2, "unit": "g/100g"}]
    assay = {"sampled_on": "2026-11-03", "laboratory": "Lab", "values": values}
    path = "/lots/{lot}/assays"
    yield "POST", path, lambda: keep("assay", commissary.made(f"/lots/{lot()}/assays", assay))
    yield (
        "POST",
        "/assays/{assay}/withdrawal",
        lambda: vet.made(f"/assays/{seen['assay']['id']}/withdrawal", {"reason": "another lot's"}),
    )
    yield (
        "POST",
        "/assays/import",
        lambda: commissary.made(
            "/assays/import",
            None,
            content="lot,sampled_on,laboratory,analyte,amount,unit\n"
            f"{lot()},2026-11-03,Lab,FAT,11,g/100g\n",
        ),
    )
    stock = "place,product,caught_from,mass,unit\nFZ2,CAP-IQF-12,2026-09-01,12,kg\n"
    path = "/opening-balance/import"
    yield "POST", path, lambda: boss.made("/opening-balance/import", None, content=stock)
    yield (
        "POST",
        "/lots/{lot}/holds",
        lambda: keep("hold", keeper.made(f"/lots/{lot()}/holds", {"reason": "recall"})),
    )
    yield (
        "POST",
        "/holds/{hold}/release",
        lambda: vet.made(f"/holds/{seen['hold']['id']}/release", {"reason": "it is over"}),
    )
    yield "POST", "/readings", reading
    because = {"reason": "the ice bath of today"}
    spare = "/probes/COOL-AIR"

    def doubt(kind: str, body: Any, who: Any = boss) -> Any:
        return keep(kind, who.made(f"{spare}/{kind}", body))

    def undo(kind: str, path: str, body: Any) -> Any:
        return boss.made(path.format(seen[kind]["id"]), body)

    off, iced = because | {"offset": "-0.3 °C"}, {"method": "ice_point", "measured": "0.4 °C"}
    yield "POST", "/probes/{probe}/offsets", lambda: doubt("offsets", off)
    path = "/probe-offsets/{offset}/withdrawal"
    yield "POST", path, lambda: undo("offsets", "/probe-offsets/{}/withdrawal", because)
    yield "POST", "/probes/{probe}/calibrations", lambda: doubt("calibrations", iced, keeper)
    path = "/calibrations/{calibration}/withdrawal"
    yield "POST", path, lambda: undo("calibrations", "/calibrations/{}/withdrawal", because)
    broken_at = because | {"from": "2026-11-25T05:00:00Z"}
    yield "POST", "/probes/{probe}/faults", lambda: doubt("faults", broken_at)
    yield "POST", "/probe-faults/{fault}/end", lambda: undo("faults", "/probe-faults/{}/end", {})
    path = "/probe-faults/{fault}/withdrawal"
    yield "POST", path, lambda: undo("faults", "/probe-faults/{}/withdrawal", because)
    named = because | {"probe": "COOL-AIR"}
    path = "/places/{place}/governing-probe"
    yield "POST", path, lambda: boss.made("/places/COOL/governing-probe", named)
    yield "POST", "/probes/{probe}/stays", lambda: doubt("stays", {"place": "FZ2"})
    air = {"kind": "air", "place": "FZ1", "temperature": "-19 °C"}
    yield "POST", "/checks", lambda: keeper.made("/checks", air)
    path = "/excursions/{number}/decisions"
    yield "POST", path, lambda: decided(kitchen)
    move = {"from_place": "FZ1", "to_place": "FZ2", "mass": "20 kg"}
    yield (
        "POST",
        "/moves",
        lambda: keep("move", commissary.made("/moves", {"lot": lot()} | move)),
    )
    yield (
        "POST",
        "/movements/{movement}/reversal",
        lambda: commissary.made(
            f"/movements/{seen['move']['movement']['id']}/reversal", {"reason": "wrong freezer"}
        ),
    )
    count = {"place": "FZ1", "mass": "190 kg", "reason": "weekly count"}
    yield "POST", "/counts", lambda: commissary.made("/counts", {"lot": lot()} | count)
    diet = {"from": "2026-11-01", "items": [{"species": "HER", "mass": "3 kg"}]}
    yield (
        "POST",
        "/animals/{animal}/diets",
        lambda: nutritionist.made("/animals/BRINE/diets", diet),
    )
    animal = {"code": "A1", "name": "Alfa", "taxon": "T", "group": "otter", "site": "MAIN"}
    yield "POST", "/animals", lambda: keeper.made("/animals", animal)
    weight = {"mass": "104 kg"}
    yield (
        "POST",
        "/animals/{animal}/weights",
        lambda: keeper.made("/animals/BRINE/weights", weight),
    )
    path = "/places/{place}"
    yield "PUT", path, lambda: put("/places/P1", {"capacity": "900 kg"})
    need = {"day": "2026-11-26", "thaw_place": "TANK1"}
    yield "POST", "/thaw-requests", lambda: keep("plan", keeper.made("/thaw-requests", need))
    path = "/thaw-requests/{thaw_request}/replan"
    yield "POST", path, lambda: keeper.made(f"/thaw-requests/{seen['plan']['id']}/replan", {})
    path = "/thaw-requests/{thaw_request}/substitutions"
    yield "POST", path, lambda: other_fish(kitchen)
    yield (
        "POST",
        "/thaw-requests/{thaw_request}/cancel",
        lambda: keeper.made(f"/thaw-requests/{seen['plan']['id']}/cancel", {}),
    )
    yield "POST", "/pulls", pull
    yield (
        "POST",
        "/thaw-batches/{thaw_batch}/put-back",
        lambda: keeper.made(
            f"/thaw-batches/{seen['batch']['code']}/put-back",
            {"mass": "10 kg", "core_temperature": "-19 °C", "to_place": "FZ1"},
        ),
    )

    def tend(what: str, body: Any) -> Any:
        return keeper.made(f"/thaw-batches/{seen['batch']['code']}/{what}", body)

    path = "/thaw-batches/{thaw_batch}"
    yield "POST", f"{path}/part-thawed", lambda: tend("part-thawed", {})
    water = {"part": "water", "temperature": "8 °C"}
    yield "POST", f"{path}/temperatures", lambda: tend("temperatures", water)
    yield "POST", f"{path}/thawed", lambda: tend("thawed", {})
    yield "POST", f"{path}/split", lambda: tend("split", {"mass": "1 kg"})
    yield "POST", f"{path}/move", lambda: tend("move", {"to_place": "COOL"})
    yield "POST", f"{path}/drip", lambda: tend("drip", {"mass": "300 g"})
    yield (
        "POST",
        "/feeds",
        lambda: keeper.made(
            "/feeds",
            {
                "animal": "BRINE",
                "items": [
                    {"thaw_batch": seen["batch"]["code"], "offered": "2 kg", "eaten": "2 kg"}
                ],
            },
        ),
    )

    def a_feed(grams: int) -> dict[str, Any]:
        mass = f"{grams} g"
        item = {"thaw_batch": seen["batch"]["code"], "offered": mass, "eaten": mass}
        return {"animal": "BRINE", "items": [item]}

    def round_of_feeds() -> Any:
        return keep("round", keeper.made("/feed-rounds", {"feeds": [a_feed(100), a_feed(200)]}))

    def fed(number: int, what: str, body: Any) -> Any:
        return keeper.made(f"/feeds/{seen['round']['feeds'][number]['id']}/{what}", body)

    yield "POST", "/feed-rounds", round_of_feeds
    wrong = {"reason": "misread the scale"}
    path = "/feeds/{feed}/correction"
    yield "POST", path, lambda: fed(0, "correction", wrong | {"feed": a_feed(150)})
    yield "POST", "/feeds/{feed}/reversal", lambda: fed(1, "reversal", wrong)
    yield (
        "POST",
        "/thaw-batches/{thaw_batch}/discard",
        lambda: keeper.made(
            f"/thaw-batches/{seen['batch']['code']}/discard",
            {"mass": "1 kg", "reason": "fell on the floor"},
        ),
    )
    requirement = {
        "nutrient": "THIA",
        "amount": 25,
        "unit": "mg",
        "applies_to": {"animal": "BRINE"},
    }
    yield (
        "POST",
        "/requirements",
        lambda: keep("requirement", nutritionist.made("/requirements", requirement)),
    )
    yield (
        "POST",
        "/requirements/{requirement}/end",
        lambda: nutritionist.made(
            f"/requirements/{seen['requirement']['id']}/end", {"reason": "the trial is over"}
        ),
    )
    yield (
        "POST",
        "/animals/{animal}/water",
        lambda: keeper.made("/animals/BRINE/water", {"water": "sea"}),
    )
    order = {"animal": "BRINE", "day": "2026-11-25"}
    yield (
        "POST",
        "/supplement-plans",
        lambda: keep("supplements", nutritionist.made("/supplement-plans", order)),
    )
    yield (
        "POST",
        "/supplement-plans/many",
        lambda: nutritionist.made("/supplement-plans/many", {"day": "2026-11-25", "site": "MAIN"}),
    )
    yield (
        "POST",
        "/supplement-plans/{plan_id}/sign-off",
        lambda: vet.made(f"/supplement-plans/{seen['supplements']['id']}/sign-off", {}),
    )
    yield (
        "POST",
        "/supplement-plans/{plan_id}/given",
        lambda: keeper.made(
            f"/supplement-plans/{seen['supplements']['id']}/given",
            {"supplements": [{"product": "B1-100", "count": 1}]},
        ),
    )
    yield from supplements_of_a_day(kitchen)
    yield from orders_of_supplements(kitchen)
    yield from buckets_of_a_day(kitchen, seen["batch"]["code"])
    found = {"product": "HER-BLOCK-10", "place": "FZ1", "cartons": 1, "reason": "no label"}
    yield (
        "POST",
        "/unlabelled-cartons",
        lambda: commissary.made("/unlabelled-cartons", found | {"may_be": [lot()]}),
    )
    misread = {"caught_from": "2026-07-31", "reason": "misread", "evidence": "the landing note"}
    path = "/lots/{lot}/corrections"
    yield "POST", path, lambda: commissary.made(f"/lots/{lot()}/corrections", misread)
    kind = {"Content-Type": "image/jpeg"}
    yield (
        "POST",
        "/photos",
        lambda: commissary.made("/photos?site=MAIN", None, content=picture(), headers=kind),
    )
    path = "/deliveries/{delivery}/inspections"
    address = f"/deliveries/{seen['delivery']['id']}/inspections"
    yield "POST", path, lambda: keep("inspection", commissary.made(address, {}))
    inspection = f"/inspections/{seen['inspection']['id']}"
    answers = {"answers": [{"item": "box_dry", "answer": "accept"}]}
    path = "/inspections/{inspection}/answers"
    yield "POST", path, lambda: commissary.made(f"{inspection}/answers", answers)
    signed = {"decision": "hold", "reason": "looked at in part only"}
    path = "/inspections/{inspection}/signature"
    yield "POST", path, lambda: commissary.made(f"{inspection}/signature", signed)
    recall = {"supplier_lot": "a 77", "reason": "the supplier recalls it"}
    yield "POST", "/recall/holds", lambda: vet.made("/recall/holds", recall)
    bad = {"mass": "10 kg", "place": "FZ1", "reason": "the supplier recalls it"}
    yield "POST", "/lots/{lot}/return", lambda: commissary.made(f"/lots/{lot()}/return", bad)
    path = "/lots/{lot}/condemnation"
    yield "POST", path, lambda: vet.made(f"/lots/{lot()}/condemnation", bad)
    smells = {"lot": lot(), "reason": "the rest of it smells"}
    yield "POST", "/watches", lambda: keep("watch", vet.made("/watches", smells))
    path, well = "/watches/{watch}/observations", {"animal": "BRINE", "signs": []}
    yield "POST", path, lambda: keeper.made(f"/watches/{seen['watch']['id']}/observations", well)
    path, over = "/watches/{watch}/close", {"reason": "the laboratory found nothing"}
    yield "POST", path, lambda: vet.made(f"/watches/{seen['watch']['id']}/close", over)
    yield from days_of_animals(kitchen)
    mailbox = {"name": "duty", "channel": "email", "address": "duty@example.org", "site": "MAIN"}
    yield "POST", "/recipients", lambda: keep("duty", boss.made("/recipients", mailbox))
    duty = f"/recipients/{seen['duty']['id']}"
    path = "/recipients/{recipient}/test"
    yield "POST", path, lambda: keep("message", boss.made(f"{duty}/test", None))
    path = "/messages/{message}/acknowledgement"
    known = f"/messages/{seen['message']['id']}/acknowledgement"
    yield "POST", path, lambda: keeper.made(known, {})
    path = "/recipients/{recipient}/withdrawal"
    yield "POST", path, lambda: boss.made(f"{duty}/withdrawal", {"reason": "somebody else is"})
    yield (
        "POST",
        "/lots/{lot}/rejection",
        lambda: commissary.made(f"/lots/{lot()}/rejection", {"reason": "spoiled"}),
    )


def days_of_animals(kitchen: Kitchen) -> Iterator[tuple[str, str, Callable[[], Any]]]:
    """Groups, stages, fasts, diets and substitutions; at last an animal leaves."""
    keeper, vet, seen = kitchen.keeper, kitchen.vet, dict[str, Any]()

    def keep(name: str, answer: Any) -> Any:
        seen[name] = answer["id"]
        return answer

    rocks = {"code": "ROCKS", "name": "Rocks", "site": "MAIN"}
    yield "POST", "/groups", lambda: keeper.made("/groups", rocks)
    path = "/groups/{group}/count"
    yield "POST", path, lambda: keeper.made("/groups/ROCKS/count", {"unnamed": 2})
    joins = {"animal": "A1", "from": "2026-11-25T06:00:00Z", "until": "2026-12-25T06:00:00Z"}
    path = "/groups/{group}/members"
    yield "POST", path, lambda: keep("stay", keeper.made("/groups/ROCKS/members", joins))
    path = "/memberships/{membership}/end"
    leaves = {"until": "2026-12-01T06:00:00Z"}
    yield "POST", path, lambda: keeper.made(f"/memberships/{seen['stay']}/end", leaves)
    stage = {"stage": "moulting", "from": "2026-11-20"}
    path = "/animals/{animal}/stages"
    yield "POST", path, lambda: keep("stage", keeper.made("/animals/A1/stages", stage))
    path = "/life-stages/{stage}/end"
    yield "POST", path, lambda: keeper.made(f"/life-stages/{seen['stage']}/end", {})
    fast = {"from": "2026-11-20", "reason": "moult"}
    path = "/animals/{animal}/fasts"
    yield "POST", path, lambda: keep("fast", vet.made("/animals/A1/fasts", fast))
    yield "POST", "/fasts/{fast}/end", lambda: vet.made(f"/fasts/{seen['fast']}/end", {})
    items = [{"species": "HER", "mass": "1 kg", "substitutes": ["CAP"]}]
    diet = {"from": "2026-11-25", "items": items}
    path = "/groups/{group}/diets"
    yield "POST", path, lambda: vet.made("/groups/ROCKS/diets", diet)
    path = "/groups/{group}/diet-proposals"
    yield "POST", path, lambda: keep("one", keeper.made("/groups/ROCKS/diet-proposals", diet))
    refusal = {"reason": "enough as it is"}
    path = "/diets/{diet}/refusal"
    yield "POST", path, lambda: vet.made(f"/diets/{seen['one']}/refusal", refusal)
    path = "/animals/{animal}/diet-proposals"
    yield "POST", path, lambda: keep("two", keeper.made("/animals/A1/diet-proposals", diet))
    yield "POST", "/diets/{diet}/approval", lambda: vet.made(f"/diets/{seen['two']}/approval", {})
    swap = {"day": "2026-11-25", "animal": "A1", "species": "HER", "mass": "1 kg"}
    swap |= {"substitute": "CAP", "reason": "no herring left"}
    yield "POST", "/substitutions", lambda: keep("swap", keeper.made("/substitutions", swap))
    path = "/substitutions/{substitution}/withdrawal"
    came = {"reason": "herring came"}
    yield "POST", path, lambda: keeper.made(f"/substitutions/{seen['swap']}/withdrawal", came)
    path = "/animals/{animal}/departure"
    gone = {"reason": "moved to another house"}
    yield "POST", path, lambda: keeper.made("/animals/A1/departure", gone)


def supplements_of_a_day(kitchen: Kitchen) -> Iterator[tuple[str, str, Callable[[], Any]]]:
    """A jar of tablets comes, and more of it; it is counted, and some of it thrown away."""
    commissary, seen = kitchen.commissary, dict[str, Any]()
    jar = {"product": "B1-100", "site": "MAIN", "code": "A 1", "received": 100}
    path = "/supplement-batches"

    def keep(answer: Any) -> Any:
        seen["batch"], seen["movement"] = answer["batch"]["id"], answer["movement"]["id"]
        return answer

    def done(what: str, body: Any) -> Any:
        return keep(commissary.made(f"{path}/{seen['batch']}/{what}", body))

    came = jar | {"expires_on": "2027-06-30"}
    yield "POST", path, lambda: keep(commissary.made(path, came))
    yield "POST", f"{path}/{{batch}}/receipts", lambda: done("receipts", {"received": 50})
    count = {"counted": 148, "reason": "weekly count"}
    yield "POST", f"{path}/{{batch}}/counts", lambda: done("counts", count)
    wet = {"count": 3, "reason": "got wet"}
    yield "POST", f"{path}/{{batch}}/discard", lambda: done("discard", wet)
    path_back = "/supplement-movements/{movement}/reversal"
    why = {"reason": "the other jar"}
    address = "/supplement-movements/{}/reversal"
    yield "POST", path_back, lambda: commissary.made(address.format(seen["movement"]), why)


def buckets_of_a_day(kitchen: Kitchen, batch: str) -> Iterator[tuple[str, str, Callable[[], Any]]]:
    """A bucket with a tablet fed, one discarded, one given up; a sheet that comes back."""
    keeper, vet, seen = kitchen.keeper, kitchen.vet, dict[str, Any]()

    def keep(name: str, answer: Any) -> Any:
        seen[name] = answer
        return answer

    def bucket(name: str, **more: Any) -> str:
        items = [{"thaw_batch": batch, "mass": "100 g"}]
        order = {"animal": "BRINE", "feed_at": "2026-11-25T07:00:00Z", "items": items}
        made: str = keep(name, keeper.made("/buckets", order | more)["items"][0]["code"])
        return made

    def done(name: str, what: str, body: Any) -> Any:
        return keeper.made(f"/buckets/{seen[name]}/{what}", body)

    days = {"from_day": "2026-11-25", "until_day": "2026-11-26"}
    tablet = {"animal": "BRINE", "item": "Tablet", "count": 1, "instructions": "whole"} | days
    path = "/medication-orders"
    yield "POST", path, lambda: keep("order", vet.made(path, tablet)["id"])
    yield "POST", "/buckets", lambda: bucket("one", carries=[{"order": seen["order"]}])
    path, scale = "/buckets/{bucket}", {"tare": "0 kg", "gross": "100 g"}
    yield "POST", f"{path}/weigh-out", lambda: done("one", "weigh-out", scale)
    yield "POST", f"{path}/stays", lambda: done("one", "stays", {"where": "cold"})
    yield "POST", f"{path}/weigh-back", lambda: done("one", "weigh-back", {"gross": "0 kg"})
    taken = {"carries": [{"number": 1, "outcome": "taken"}]}
    yield "POST", f"{path}/outcomes", lambda: done("one", "outcomes", taken)
    why = {"reason": "not needed"}
    bucket("two")
    yield "POST", f"{path}/discard", lambda: done("two", "discard", why)
    bucket("three")
    yield "POST", f"{path}/cancel", lambda: done("three", "cancel", why)
    stopped = "/medication-orders/{order}/stop"
    yield "POST", stopped, lambda: vet.made(f"/medication-orders/{seen['order']}/stop", why)
    bucket("four")
    path, today = "/fallback-sheets", {"day": "2026-11-25", "site": "MAIN"}
    yield "POST", path, lambda: keep("sheet", keeper.made(path, today))
    line = next(it for it in seen["sheet"]["lines"] if it["bucket"] == seen["four"])["line"]
    not_fed = {"line": line, "not_fed": "the pool was drained", "fed_at": "2026-11-25T06:00:00Z"}
    address = f"{path}/{seen['sheet']['code']}/entries"
    path = "/fallback-sheets/{sheet}/entries"
    yield "POST", path, lambda: keeper.made(address, {"lines": [not_fed]})


def decided(kitchen: Kitchen) -> Any:
    """A warm hour of the empty freezer P1 is looked at, and closed."""
    with kitchen.writing() as session:
        probe = session.exec(select(Probe).where(Probe.code == "Q1")).one()
        warm = Excursion(
            place_id=probe.place_id,
            probe_id=probe.id or 0,
            kind="warm",
            state="assessed",
            from_at=kitchen.clock(),
            ended_at=kitchen.clock(),
            opened_at=kitchen.clock(),
        )
        session.add(warm)
        session.flush()
        number = warm.id
    said = {"lots": [], "reason": "it was empty", "corrective_action": "the door was shut"}
    return kitchen.commissary.made(f"/excursions/{number}/decisions", said)


def test_every_write_leaves_an_entry_and_the_chain_holds(kitchen: Kitchen) -> None:
    done: set[tuple[str, str]] = set()
    steps = a_working_day(kitchen)
    for method, path, ask in steps:
        before = entries(kitchen)
        ask()
        assert entries(kitchen) > before, f"{method} {path} left no entry"
        done.add((method, path))
    writes = {
        (method, route.path.removeprefix("/v1"))
        for router in ROUTERS
        for route in router.routes
        if isinstance(route, APIRoute)
        for method in (route.methods or set()) - {"GET", "HEAD"}
        if route.path not in SENT_TO_LOOK
    }
    assert done == writes, "a route that writes is missing in the working day"
    assert broken(kitchen) == []
    shown = kitchen.manager.shown("/audit?limit=500")["items"]
    assert {e["by"] for e in shown} >= {"manager", "keeper", "commissary", "vet", "fishhouse"}
    assert all(len(e["hash"]) == 64 for e in shown)


def test_what_is_refused_or_only_looked_at_leaves_no_entry(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot(mass="10 kg")["code"]
    keeper = kitchen.keeper
    before = entries(kitchen)
    body = {"lot": lot, "from_place": "FZ1", "to_place": "TANK1", "mass": "100 kg"}
    assert keeper.post("/pulls", body).status_code == 409
    assert keeper.post("/pulls", body | {"lot": "NONE"}).status_code == 404
    assert keeper.get(f"/lots/{lot}/quality").status_code == 200
    assert entries(kitchen) == before


def without_triggers(kitchen: Kitchen, *statements: str) -> None:
    """Somebody who may do anything in the database, at work."""
    database = kitchen.app.state.database
    with database.writer.begin() as connection:
        if database.is_sqlite:
            found = connection.execute(
                text(
                    "SELECT name FROM sqlite_master WHERE type = 'trigger'"
                    " AND tbl_name = 'audit_entry'"
                )
            )
            for (name,) in found.all():
                connection.execute(text(f'DROP TRIGGER "{name}"'))
        else:
            connection.execute(text("ALTER TABLE audit_entry DISABLE TRIGGER ALL"))
        for statement in statements:
            connection.execute(text(statement))


TAMPERED = {
    "who": ("UPDATE audit_entry SET \"by\" = 'nobody' WHERE chain = 1 AND number = 3", "changed"),
    "what": ("UPDATE audit_entry SET what = 'x' WHERE chain = 1 AND number = 3", "changed"),
    "when": (
        "UPDATE audit_entry SET recorded_at = '2020-01-01 00:00:00' WHERE chain = 1 AND number = 3",
        "changed",
    ),
    "detail": (
        "UPDATE audit_entry SET detail = '{\"g\": 1}' WHERE chain = 1 AND number = 3",
        "changed",
    ),
    "hash": (
        "UPDATE audit_entry SET hash = previous_hash WHERE chain = 1 AND number = 3",
        "changed",
    ),
    "middle": ("DELETE FROM audit_entry WHERE chain = 1 AND number = 3", "missing"),
    "first": ("DELETE FROM audit_entry WHERE chain = 1 AND number = 1", "missing"),
    "all": ("DELETE FROM audit_entry WHERE chain = 1", "end of the chain"),
    "end": (
        "DELETE FROM audit_entry WHERE chain = 1 AND number >="
        " (SELECT length FROM audit_head WHERE chain = 1)",
        "end of the chain",
    ),
    "head": ("UPDATE audit_head SET length = length - 1 WHERE chain = 1", "end of the chain"),
}


@pytest.mark.parametrize("how", TAMPERED)
def test_whoever_tampers_with_the_trail_is_found_out(kitchen: Kitchen, how: str) -> None:
    assert broken(kitchen) == []
    statement, why = TAMPERED[how]
    without_triggers(kitchen, statement)
    found = broken(kitchen)
    assert found and why in found[0], found


def test_the_database_itself_refuses_to_change_the_trail(kitchen: Kitchen) -> None:
    for statement in (
        "UPDATE audit_entry SET what = 'x'",
        "DELETE FROM audit_entry",
        "INSERT OR REPLACE INTO audit_entry SELECT * FROM audit_entry"
        if kitchen.app.state.database.is_sqlite
        else "TRUNCATE audit_entry CASCADE",
    ):
        with (
            pytest.raises(Exception, match=r"(?i)audit|append|change|refuse"),
            kitchen.app.state.database.writer.begin() as connection,
        ):
            connection.execute(text(statement))
    assert broken(kitchen) == []


def test_the_command_line_says_whether_the_chain_holds(
    kitchen: Kitchen, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("FISHHOUSE_DATABASE_URL", kitchen.address)
    monkeypatch.setenv("FISHHOUSE_DATA_DIR", str(kitchen.folder))
    assert main(["audit", "verify"]) == 0
    assert "holds" in capsys.readouterr().out
    without_triggers(kitchen, TAMPERED["middle"][0])
    assert main(["audit", "verify"]) == 1
    assert "chain 1, entry 4" in capsys.readouterr().out


def test_writers_at_once_keep_one_chain(kitchen: Kitchen) -> None:
    """Each waits for the entry before its own: numbers follow without a gap."""
    at = kitchen.clock()
    engine = kitchen.app.state.database.writer

    def write(number: int) -> None:
        with transaction(engine) as session:
            audit.note(session, SERVICE, "tested", number, at=at, site_id=1)
            audit.note(session, SERVICE, "tested again", number, at=at)

    before = entries(kitchen)
    with ThreadPoolExecutor(6) as pool:
        list(pool.map(write, range(24)))
    assert entries(kitchen) == before + 48
    assert broken(kitchen) == []
    with kitchen.looking() as session:
        for head in session.exec(select(AuditHead)).all():
            numbers = session.exec(
                select(AuditEntry.number)
                .where(col(AuditEntry.chain) == head.chain)
                .order_by(col(AuditEntry.number))
            ).all()
            assert list(numbers) == list(range(1, head.length + 1))


def fail_at_commit(kitchen: Kitchen) -> None:
    """A constraint that the database looks at only when everything is to be committed."""
    with kitchen.app.state.database.writer.begin() as connection:
        connection.execute(text("CREATE TABLE nowhere (id INTEGER PRIMARY KEY)"))
        connection.execute(
            text(
                "CREATE TABLE tripwire (id INTEGER REFERENCES nowhere (id)"
                " DEFERRABLE INITIALLY DEFERRED)"
            )
        )
        if kitchen.app.state.database.is_sqlite:
            connection.execute(
                text(
                    "CREATE TRIGGER trip AFTER INSERT ON supplier"
                    " BEGIN INSERT INTO tripwire VALUES (1); END"
                )
            )
        else:
            connection.execute(
                text(
                    "CREATE FUNCTION trip() RETURNS trigger LANGUAGE plpgsql AS"
                    " $$ BEGIN INSERT INTO tripwire VALUES (1); RETURN NEW; END $$"
                )
            )
            connection.execute(
                text(
                    "CREATE TRIGGER trip AFTER INSERT ON supplier"
                    " FOR EACH ROW EXECUTE FUNCTION trip()"
                )
            )


def test_a_failed_commit_is_never_answered_with_created(kitchen: Kitchen) -> None:
    boss = kitchen.manager
    body = {"code": "X1", "name": "Xi"}
    before = entries(kitchen)
    fail_at_commit(kitchen)
    answer = boss.post("/suppliers", body, headers={"Idempotency-Key": "k"})
    assert answer.status_code == 409
    assert answer.headers["content-type"] == "application/problem+json"
    assert "X1" not in [s["code"] for s in boss.shown("/suppliers")["items"]]
    assert entries(kitchen) == before and broken(kitchen) == []

    with kitchen.app.state.database.writer.begin() as connection:
        on = "" if kitchen.app.state.database.is_sqlite else " ON supplier"
        connection.execute(text(f"DROP TRIGGER trip{on}"))
    again = boss.post("/suppliers", body, headers={"Idempotency-Key": "k"})
    assert again.status_code == 201
    assert "idempotency-replayed" not in again.headers, "a failure keeps no key"
