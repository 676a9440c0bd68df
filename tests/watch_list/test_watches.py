"""Who ate of a bad lot is watched: opened, looked at, told of, extended, closed."""

import csv
import io
from typing import Any

import pytest
from sqlalchemy import text
from sqlmodel import col, select

from service.notifications.models import Message
from service.watch_list.actions.following import find_watches, follow_watches
from service.worker import look_after_watches
from tests.architecture.test_statements import counted
from tests.kitchen import Kitchen, Person

# Reg. (EC) 2073/2005: none of nine samples of Clupeidae above 200 mg/kg.
HISTAMINE = {"test": "histamine", "unit": "mg/kg", "values": [90] * 7 + [150, 201]}
FINE = {"test": "histamine", "unit": "mg/kg", "values": [5] * 9}
# Reg. (EU) 2023/915 quoted in industry guidance: 75 ng/g of the six PCB.
PCB = {"test": "pcb6_ndl", "unit": "ng/g wet", "values": [90]}


def look(kitchen: Kitchen) -> int:
    """What the worker does every minute; how many watches it opened."""
    with kitchen.looking() as session:
        found = find_watches(session, kitchen.clock())
    with kitchen.writing() as session:
        return follow_watches(session, found, kitchen.clock())


def told(kitchen: Kitchen) -> list[tuple[str, str]]:
    with kitchen.looking() as session:
        rows = session.exec(
            select(Message).where(col(Message.subject) == "watch").order_by(col(Message.id))
        )
        return [(row.title, row.urgency) for row in rows]


class House:
    """A lot of herring that BRINE and others eat of."""

    def __init__(self, kitchen: Kitchen) -> None:
        self.kitchen = kitchen
        self.lot: str = kitchen.a_lot(mass="200 kg")["code"]
        self.batch: str = kitchen.pulled(self.lot, "50 kg")["code"]

    def animal(self, code: str) -> str:
        new = {"code": code, "name": code.title(), "taxon": "Phoca vitulina", "group": "pinniped"}
        self.kitchen.keeper.made("/animals", new)
        return code

    def feed(self, who: str = "BRINE", eaten: str = "2 kg", **more: Any) -> Any:
        item = {"thaw_batch": more.pop("batch", self.batch), "offered": "2 kg", "eaten": eaten}
        body = {"items": [item]} | ({} if "group" in more else {"animal": who}) | more
        return self.kitchen.keeper.made("/feeds", body)

    def assay(self, test: Any = HISTAMINE, lot: str | None = None) -> Any:
        day = str(self.kitchen.clock().date())
        body = {"sampled_on": day, "laboratory": "Sound Lab", "tests": [test]}
        return self.kitchen.commissary.made(f"/lots/{lot or self.lot}/assays", body)

    def by_hand(self, **more: Any) -> Any:
        body = {"lot": self.lot, "reason": "the supplier recalls it"} | more
        return self.kitchen.vet.made("/watches", body)

    def seen(self, watch: int, who: str = "BRINE", *signs: str, **more: Any) -> Any:
        body = ({} if "group" in more else {"animal": who}) | {"signs": list(signs)} | more
        return self.kitchen.keeper.made(f"/watches/{watch}/observations", body)

    def only(self) -> Any:
        (watch,) = self.kitchen.keeper.shown("/watches")["items"]
        return self.kitchen.keeper.shown(f"/watches/{watch['id']}")


@pytest.fixture
def house(kitchen: Kitchen) -> House:
    return House(kitchen)


def test_a_failed_assay_opens_a_watch_by_itself_once(kitchen: Kitchen, house: House) -> None:
    house.animal("COVE")
    house.feed("BRINE", "1.5 kg")
    kitchen.clock.forward(hours=2)
    house.feed("COVE")
    house.feed(house.animal("SHY"), "0 kg")
    kitchen.clock.forward(hours=4)
    assay = house.assay()
    assert look(kitchen) == 1 and look(kitchen) == 0
    watch = house.only()
    assert (watch["lot"], watch["state"], watch["by"]) == (house.lot, "open", "fishhouse")
    assert watch["hazards"] == ["histamine"] and watch["causes"][0]["assay"] == assay["id"]
    assert "histamine out of limits" in watch["because"]
    assert [(i["animal"], i["eaten"]["g"], i["watched"]) for i in watch["items"]] == [
        ("BRINE", 1500, True),
        ("COVE", 2000, True),
    ]
    brine, cove = watch["items"]
    # Fed at 06:00 and 08:00, opened at 12:00: 66 h and 68 h are left of 72 h.
    assert (brine["until"], brine["left_hours"]) == ("2026-11-28T06:00:00Z", 66.0)
    assert (cove["until"], watch["left_hours"]) == ("2026-11-28T08:00:00Z", 68.0)
    # 0, 4, … 64 h and 66 h; 0, 4, … 64 h and 68 h.
    assert (len(brine["rounds"]), len(cove["rounds"])) == (18, 18)
    assert watch["next_due_at"] == "2026-11-25T12:00:00Z"
    assert {s["sign"] for s in watch["look_for"]} >= {"vomiting", "skin", "breathing"}
    assert all(s["source"].endswith("]") for s in watch["look_for"])
    assert "attending veterinarian decides" in watch["cautions"][0]
    assert told(kitchen) == [(f"Watch 1: 2 animals ate of {house.lot}", "now")]


def test_nothing_opens_for_a_sound_assay_nor_for_a_lot_that_nobody_ate(
    kitchen: Kitchen, house: House
) -> None:
    house.feed()
    house.assay(FINE)
    other = kitchen.a_lot(mass="100 kg")["code"]
    house.assay(lot=other)
    assert look(kitchen) == 0
    batch = kitchen.pulled(other, "10 kg", already_done=True)["code"]
    house.feed(batch=batch, already_done=True)
    assert look(kitchen) == 1, "it was fed all the same, after the result"
    assert house.only()["lot"] == other


def test_the_worker_opens_it(kitchen: Kitchen, house: House) -> None:
    house.feed()
    house.assay()
    look_after_watches(kitchen.app.state.database, kitchen.clock)
    assert house.only()["watched"] == 1


def test_who_ate_of_it_long_ago_is_listed_with_the_date_and_not_watched(
    kitchen: Kitchen, house: House
) -> None:
    house.feed()
    kitchen.clock.forward(days=8)
    house.batch = kitchen.pulled(house.lot, "10 kg")["code"]
    house.feed(house.animal("COVE"))
    house.assay()
    look(kitchen)
    watch = house.only()
    assert (watch["watched"], watch["only_listed"]) == (1, 1)
    brine, cove = watch["items"]
    assert (brine["watched"], brine["last_fed_at"]) == (False, "2026-11-25T06:00:00Z")
    assert brine["rounds"] == [] and cove["watched"]


def test_a_residue_is_a_note_for_the_vet_and_ends_only_by_the_vet(
    kitchen: Kitchen, house: House
) -> None:
    house.feed()
    house.assay(PCB)
    look(kitchen)
    watch = house.only()
    assert (watch["note_only"], watch["hazards"], watch["watched"]) == (True, ["residue"], 0)
    assert told(kitchen) == [(f"Watch 1: note for the vet on {house.lot}", "today")]
    kitchen.clock.forward(days=30)
    look(kitchen)
    assert house.only()["state"] == "open"
    assert len(told(kitchen)) == 1


def test_a_second_bad_result_joins_the_open_watch_and_a_note_becomes_a_watch(
    kitchen: Kitchen, house: House
) -> None:
    house.feed()
    house.assay(PCB)
    look(kitchen)
    kitchen.clock.forward(hours=5)
    house.assay()
    assert look(kitchen) == 1
    watch = house.only()
    assert (watch["hazards"], watch["hours"], watch["watched"]) == (["residue", "histamine"], 72, 1)
    assert watch["items"][0]["rounds"][0]["due_at"] == "2026-11-25T11:00:00Z"
    assert watch["items"][0]["missed"] == 0
    assert [c["kind"] for c in watch["changes"]] == ["cause_added"]


def test_members_of_a_group_may_have_eaten_and_those_without_a_name_are_watched_as_one(
    kitchen: Kitchen, house: House
) -> None:
    kitchen.keeper.made("/groups", {"code": "ROCKS", "name": "Rocks", "unnamed": 5})
    joins = {"animal": "BRINE", "from": "2026-11-20T06:00:00Z"}
    kitchen.keeper.made("/groups/ROCKS/members", joins)
    house.feed(group="ROCKS", present=4)
    house.feed("BRINE", "1 kg")
    watch = house.by_hand()
    brine, rocks = watch["items"]
    # Of 2 kg for four that were there BRINE's even part is 500 g; 3 of them have no name.
    assert (brine["eaten"]["g"], brine["estimated"]["g"]) == (1500, 500)
    assert (brine["may_have_eaten"], brine["feeds"]) == (False, 2)
    assert (rocks["group"], rocks["animal"], rocks["present_unnamed"]) == ("ROCKS", None, 3)
    assert (rocks["eaten"]["g"], rocks["may_have_eaten"], rocks["watched"]) == (2000, True, True)
    house.seen(watch["id"], group="ROCKS")
    assert house.only()["items"][1]["done"] == 1


def test_a_look_is_ticked_and_a_sign_is_told_at_once(kitchen: Kitchen, house: House) -> None:
    house.feed()
    watch = house.by_hand(hazard="histamine")["id"]
    house.seen(watch)
    assert len(told(kitchen)) == 1, "nothing seen is nothing to tell"
    kitchen.clock.forward(hours=4)
    stored = house.seen(watch, "BRINE", "vomiting", "skin", "vomiting", appetite="reduced")
    assert (stored["signs"], stored["by"]) == (["vomiting", "skin"], "keeper")
    shown = house.only()
    (brine,) = shown["items"]
    assert [r["state"] for r in brine["rounds"][:3]] == ["done", "done", "coming"]
    assert brine["rounds"][1]["signs"] == ["vomiting", "skin"]
    assert (brine["signs"], brine["next_due_at"]) == (["vomiting", "skin"], "2026-11-25T14:00:00Z")
    assert shown["noticed"] == ["BRINE"]
    title = f"BRINE: vomiting, skin, appetite reduced after {house.lot}"
    assert told(kitchen)[1:] == [(title, "now")]
    every = kitchen.vet.shown(f"/watches/{watch}/observations")["items"]
    assert [o["signs"] for o in every] == [["vomiting", "skin"], []]


def test_a_look_that_is_overdue_is_told_once(kitchen: Kitchen, house: House) -> None:
    house.feed()
    house.feed(house.animal("COVE"))
    watch = house.by_hand()["id"]
    house.seen(watch)
    kitchen.clock.forward(hours=1)
    look(kitchen)
    assert len(told(kitchen)) == 1
    kitchen.clock.forward(seconds=1)
    look(kitchen)
    look(kitchen)
    assert told(kitchen)[1:] == [("Watch 1: 1 look overdue", "today")]
    assert house.only()["overdue"] == 1
    kitchen.clock.forward(hours=4)
    look(kitchen)
    assert told(kitchen)[2:] == [("Watch 1: 2 looks overdue", "today")]


def test_of_an_animal_found_dead_no_more_looks_are_asked_and_only_the_vet_ends_it(
    kitchen: Kitchen, house: House
) -> None:
    house.feed()
    house.feed(house.animal("COVE"))
    watch = house.by_hand(hours=8)["id"]
    kitchen.clock.forward(hours=4)
    house.seen(watch, "COVE", "dead")
    kitchen.clock.forward(hours=5, minutes=1)
    house.seen(watch)
    look(kitchen)
    shown = house.only()
    brine, cove = shown["items"]
    assert (cove["overdue"], cove["next_due_at"], len(cove["rounds"])) == (0, None, 2)
    assert (shown["state"], shown["overdue"], brine["done"]) == ("open", 0, 1)


def test_of_an_animal_that_has_left_no_more_looks_are_asked(kitchen: Kitchen, house: House) -> None:
    house.feed(house.animal("COVE"))
    house.by_hand(hours=48)
    gone = {"reason": "moved to another house"}
    kitchen.keeper.made("/animals/COVE/departure", gone)
    assert house.only()["items"][0]["rounds"][-1]["due_at"] <= "2026-11-25T12:00:00Z"
    kitchen.clock.forward(hours=49)
    look(kitchen)
    assert house.only()["state"] == "closed"


def test_while_there_is_nothing_to_tell_the_worker_writes_nothing(
    kitchen: Kitchen, house: House
) -> None:
    def there_is() -> bool:
        with kitchen.looking() as session:
            return bool(find_watches(session, kitchen.clock()))

    house.feed()
    house.assay()
    assert there_is()
    look(kitchen)
    assert not there_is()
    house.seen(house.only()["id"])
    kitchen.clock.forward(hours=4)
    assert not there_is()
    kitchen.clock.forward(hours=1, seconds=1)
    assert there_is()
    look(kitchen)
    assert not there_is()


def test_a_look_that_is_entered_late_counts_for_the_time_it_was_taken(
    kitchen: Kitchen, house: House
) -> None:
    house.feed()
    watch = house.by_hand()["id"]
    kitchen.clock.forward(hours=7)
    assert house.only()["items"][0]["missed"] == 2
    house.seen(watch, occurred_at="2026-11-25T10:10:00Z")
    assert [r["state"] for r in house.only()["items"][0]["rounds"][:3]] == [
        "missed",
        "done",
        "coming",
    ]
    late = {"animal": "BRINE", "signs": [], "occurred_at": "2026-11-26T10:10:00Z"}
    answer = kitchen.keeper.post(f"/watches/{watch}/observations", late)
    assert answer.status_code == 422


def test_it_closes_itself_when_its_hours_are_over_and_everybody_was_looked_at(
    kitchen: Kitchen, house: House
) -> None:
    house.feed()
    watch = house.by_hand(hours=8)["id"]
    for _ in range(2):
        house.seen(watch)
        look(kitchen)
        kitchen.clock.forward(hours=4)
    look(kitchen)
    assert house.only()["state"] == "open", "the last look is still to be taken"
    house.seen(watch)
    look(kitchen)
    closed = house.only()
    assert (closed["state"], closed["closed_by"]) == ("closed", "fishhouse")
    assert closed["closed_because"] == (
        "8 h after the last feed are over and everybody here was looked at; 0 looks missed; "
        "no sign was seen"
    )
    assert told(kitchen)[-1] == (f"Watch 1 on {house.lot} is over", "today")
    assert kitchen.keeper.shown("/watches?state=open")["items"] == []
    assert len(kitchen.keeper.shown("/watches?state=closed")["items"]) == 1


def test_while_a_sign_is_seen_only_a_vet_ends_it(kitchen: Kitchen, house: House) -> None:
    house.feed()
    watch = house.by_hand(hours=4)["id"]
    kitchen.clock.forward(hours=4)
    house.seen(watch, other="shakes its head")
    look(kitchen)
    assert house.only()["state"] == "open"
    why = {"reason": "looked at: an old wound"}
    assert kitchen.keeper.post(f"/watches/{watch}/close", why).status_code == 403
    closed = kitchen.vet.made(f"/watches/{watch}/close", why)
    assert (closed["closed_by"], closed["closed_because"]) == ("vet", why["reason"])
    again = kitchen.manager.post(f"/watches/{watch}/close", why)
    assert (again.status_code, again.json()["type"]) == (409, "/problems/already-closed")


def test_a_feed_that_is_recorded_late_extends_it_and_is_told(
    kitchen: Kitchen, house: House
) -> None:
    house.animal("COVE")
    house.feed()
    house.by_hand()
    kitchen.clock.forward(hours=6)
    house.feed("COVE", occurred_at="2026-11-25T06:30:00Z", already_done=True)
    house.feed("BRINE", occurred_at="2026-11-25T08:00:00Z", already_done=True)
    look(kitchen)
    look(kitchen)
    watch = house.only()
    assert watch["until"] == "2026-11-28T08:00:00Z"
    brine, cove = watch["items"]
    assert cove["rounds"][0]["due_at"] == "2026-11-25T12:00:00Z", "nobody knew of it before"
    assert (brine["missed"], cove["missed"]) == (2, 0)
    (change,) = watch["changes"]
    assert change["kind"] == "extended"
    assert "COVE ate of it too" in change["because"]
    assert "BRINE ate of it again, at last 2026-11-25 08:00 UTC" in change["because"]
    assert len([t for t, _ in told(kitchen) if "known better" in t]) == 1


def test_a_correction_of_grams_does_not_begin_the_rounds_anew(
    kitchen: Kitchen, house: House
) -> None:
    fed = house.feed()
    watch = house.by_hand()["id"]
    house.seen(watch)
    kitchen.clock.forward(hours=6)
    item = {"thaw_batch": house.batch, "offered": "2 kg", "eaten": "1 kg"}
    right = {"animal": "BRINE", "items": [item], "occurred_at": "2026-11-25T06:00:00Z"}
    body = {"reason": "misread", "feed": right}
    kitchen.keeper.made(f"/feeds/{fed['id']}/correction", body)
    look(kitchen)
    (brine,) = house.only()["items"]
    assert (brine["eaten"]["g"], brine["done"], brine["missed"]) == (1000, 1, 1)
    assert house.only()["changes"] == []


def test_a_feed_that_is_taken_back_takes_the_animal_off_but_keeps_what_was_seen(
    kitchen: Kitchen, house: House
) -> None:
    wrong = house.feed(house.animal("COVE"))
    house.feed()
    watch = house.by_hand()["id"]
    house.seen(watch, "COVE", "lethargy")
    kitchen.keeper.made(f"/feeds/{wrong['id']}/reversal", {"reason": "it was BRINE's"})
    look(kitchen)
    brine, cove = house.only()["items"]
    assert (brine["watched"], cove["watched"], cove["feeds"]) == (True, False, 0)
    assert cove["signs"] == ["lethargy"]
    assert "not known to have eaten" in house.only()["changes"][0]["because"]


def test_a_late_record_after_the_end_is_told_for_the_vet_to_decide(
    kitchen: Kitchen, house: House
) -> None:
    house.animal("COVE")
    house.feed()
    watch = house.by_hand()["id"]
    kitchen.vet.made(f"/watches/{watch}/close", {"reason": "another lot after all"})
    kitchen.clock.forward(hours=1)
    house.feed("COVE")
    look(kitchen)
    look(kitchen)
    assert [c["kind"] for c in house.only()["changes"]] == ["late_record"]
    assert told(kitchen)[-1][1] == "now" and len(told(kitchen)) == 2
    assert house.only()["state"] == "closed"


def test_a_withdrawn_assay_proposes_the_end_and_does_not_end_it(
    kitchen: Kitchen, house: House
) -> None:
    house.feed()
    assay = house.assay()["id"]
    look(kitchen)
    kitchen.vet.made(f"/assays/{assay}/withdrawal", {"reason": "the sample was another lot's"})
    look(kitchen)
    look(kitchen)
    watch = house.only()
    assert (watch["state"], watch["causes"][0]["withdrawn"]) == ("open", True)
    assert watch["closing_proposed_at"] == "2026-11-25T06:00:00Z"
    assert [c["kind"] for c in watch["changes"]] == ["closing_proposed"]
    assert told(kitchen)[1:] == [(f"Watch 1 on {house.lot} may be closed", "today")]
    house.assay()
    look(kitchen)
    watch = house.only()
    assert (watch["closing_proposed_at"], len(watch["causes"])) == (None, 2)


def test_an_assay_that_was_withdrawn_before_anybody_looked_opens_nothing(
    kitchen: Kitchen, house: House
) -> None:
    house.feed()
    assay = house.assay()["id"]
    kitchen.vet.made(f"/assays/{assay}/withdrawal", {"reason": "the sample was another lot's"})
    assert look(kitchen) == 0
    assert kitchen.vet.shown("/watches")["items"] == []


def test_one_thaw_batch_and_what_was_split_from_it_is_watched_by_hand(
    kitchen: Kitchen, house: House
) -> None:
    house.feed(house.animal("COVE"))
    warm = kitchen.pulled(house.lot, "10 kg")["code"]
    part = kitchen.keeper.made(f"/thaw-batches/{warm}/split", {"mass": "4 kg"})
    code = next(p["code"] for p in _batches(part) if p["code"] != warm)
    house.feed("BRINE", batch=code)
    watch = house.by_hand(thaw_batch=warm, hazard="spoilage", reason="fed past its clock")
    assert [i["animal"] for i in watch["items"]] == ["BRINE"]
    assert watch["thaw_batch"] == warm
    other = kitchen.a_lot()["code"]
    wrong = kitchen.vet.post(
        "/watches", {"lot": other, "thaw_batch": warm, "reason": "fed past its clock"}
    )
    assert wrong.status_code == 422 and wrong.json()["errors"][0]["field"] == "thaw_batch"


def _batches(answer: Any) -> list[Any]:
    found = [v for v in answer.values() if isinstance(v, dict) and "code" in v]
    return found + [a for v in answer.values() if isinstance(v, list) for a in v] + [answer]


def test_lots_that_were_eaten_of_and_are_held_or_were_fed_too_late_are_for_the_vet_to_consider(
    kitchen: Kitchen, house: House
) -> None:
    def considered() -> list[tuple[str, list[str]]]:
        items = kitchen.vet.shown("/watches/to-consider")["items"]
        return [(item["lot"], item["because"]) for item in items]

    house.feed()
    assert considered() == []
    kitchen.clock.forward(hours=25)
    house.feed(house.animal("COVE"), already_done=True)
    late = "clock-from-freezer: fed to animal COVE at 2026-11-26 07:00 UTC"
    assert considered() == [(house.lot, [late])]
    other = kitchen.a_lot()["code"]
    batch = kitchen.pulled(other, "10 kg", already_done=True)["code"]
    house.feed(batch=batch)
    recall = {"reason": "the supplier recalls it"}
    kitchen.vet.made(f"/lots/{other}/holds", recall)
    assert dict(considered()) == {house.lot: [late], other: ["held: the supplier recalls it"]}
    house.by_hand()
    assert [lot for lot, _ in considered()] == [other]
    kitchen.clock.forward(days=8)
    assert considered() == []
    assert kitchen.vet.get("/watches/to-consider?days=0").status_code == 422


def test_what_cannot_be_is_refused_and_says_what(kitchen: Kitchen, house: House) -> None:
    vet, because = kitchen.vet, {"reason": "smells"}
    body = {"lot": house.lot} | because
    assert vet.post("/watches", body).json()["type"] == "/problems/nobody-ate"
    assert vet.post("/watches", body | {"lot": "NONE"}).status_code == 404
    house.feed()
    assert kitchen.keeper.post("/watches", body).status_code == 403
    for wrong, field in (
        ({"hours": 0}, "hours"),
        ({"hours": 721}, "hours"),
        ({"hazard": "magic"}, "hazard"),
        ({"occurred_at": "2027-01-01T00:00:00Z"}, "occurred_at"),
        ({"reason": ""}, "reason"),
    ):
        answer = vet.post("/watches", body | wrong)
        assert (answer.status_code, answer.json()["errors"][0]["field"]) == (422, field)
    watch = vet.made("/watches", body)["id"]
    assert vet.post("/watches", body).json()["type"] == "/problems/already-watched"
    assert vet.made("/watches", body | {"hazard": "thiamine"})["round_h"] == 24
    path = f"/watches/{watch}/observations"
    for wrong_look, status in (
        ({"animal": "NONE", "signs": []}, 404),
        ({"group": "NONE", "signs": []}, 404),
        ({"signs": []}, 422),
        ({"animal": "BRINE", "group": "ROCKS", "signs": []}, 422),
        ({"animal": "BRINE"}, 422),
        ({"animal": "BRINE", "signs": ["happy"]}, 422),
        ({"animal": "BRINE", "signs": [], "mood": "x"}, 422),
    ):
        assert kitchen.keeper.post(path, wrong_look).status_code == status, wrong_look
    assert kitchen.commissary.post(path, {"animal": "BRINE", "signs": []}).status_code == 403
    assert kitchen.keeper.get("/watches/999").json()["type"] == "/problems/unknown-watch"
    assert kitchen.keeper.shown(path)["items"] == []


def test_a_site_chooses_how_long_and_how_often(kitchen: Kitchen, house: House) -> None:
    changes = {"watch_h": 96, "watch_round_h": 12, "watch_look_back_days": 3}
    change = {"changes": changes, "reason": "the vet asks for it"}
    assert kitchen.manager.put("/sites/main/policy", change).status_code == 200
    house.feed()
    watch = house.by_hand()
    assert (watch["hours"], watch["round_h"], len(watch["items"][0]["rounds"])) == (96, 12, 9)
    short = {"changes": {"watch_h": 12}, "reason": "we have no time"}
    assert kitchen.manager.put("/sites/main/policy", short).status_code == 422


def rows(who: Person, address: str) -> list[dict[str, str]]:
    answer = who.get(address, headers={"Accept": "text/csv"})
    assert answer.headers["content-type"].startswith("text/csv")
    return list(csv.DictReader(io.StringIO(answer.text, newline="")))


def test_a_watch_its_looks_and_the_list_come_as_tables(kitchen: Kitchen, house: House) -> None:
    house.feed()
    watch = house.by_hand()["id"]
    house.seen(watch, "BRINE", "tremor")
    (animal,) = rows(kitchen.vet, f"/watches/{watch}")
    assert (animal["animal"], animal["eaten.g"], animal["done"]) == ("BRINE", "2000", "1")
    assert [r["lot"] for r in rows(kitchen.vet, "/watches")] == [house.lot]
    (seen,) = rows(kitchen.vet, f"/watches/{watch}/observations")
    assert (seen["animal"], seen["signs"]) == ("BRINE", '["tremor"]')


def test_what_was_seen_is_never_changed(kitchen: Kitchen, house: House) -> None:
    house.feed()
    house.seen(house.by_hand()["id"])
    for statement in (
        "UPDATE watch_observation SET signs = '[]'",
        "DELETE FROM watch_observation",
        "UPDATE watch_cause SET because = 'x'",
        "DELETE FROM watch_cause",
    ):
        with (
            pytest.raises(Exception, match="never"),
            kitchen.app.state.database.writer.begin() as connection,
        ):
            connection.execute(text(statement))


def test_the_list_and_the_worker_take_as_many_statements_for_many_as_for_few(
    kitchen: Kitchen, house: House
) -> None:
    def sent() -> tuple[int, int]:
        with counted(kitchen) as statements:
            kitchen.keeper.shown("/watches")
        listed = len(statements)
        with counted(kitchen) as statements, kitchen.looking() as session:
            find_watches(session, kitchen.clock())
        return listed, len(statements)

    house.feed()
    house.seen(house.by_hand()["id"])
    sent()
    few = sent()
    for number in range(4):
        lot = kitchen.a_lot()["code"]
        batch = kitchen.pulled(lot, "10 kg", already_done=True)["code"]
        house.feed(house.animal(f"A{number}"), batch=batch)
        watch = house.by_hand(lot=lot)["id"]
        for _ in range(3):
            house.seen(watch, f"A{number}", "tremor")
    assert sent() == few
    assert max(few) <= 16


def test_people_of_another_site_neither_see_nor_touch_it(kitchen: Kitchen, house: House) -> None:
    kitchen.manager.made("/sites", {"code": "SUD", "name": "South house"})
    house.feed()
    watch = house.by_hand()["id"]
    other = kitchen.person("vet", (2,))
    assert other.shown("/watches")["items"] == []
    assert other.get(f"/watches/{watch}").status_code == 403
    seen = {"animal": "BRINE", "signs": []}
    assert other.post(f"/watches/{watch}/observations", seen).status_code == 403
    assert other.post(f"/watches/{watch}/close", {"reason": "not ours"}).status_code == 403
