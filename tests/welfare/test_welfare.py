"""Watching animals: who is told of what, once, and what is no news."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlmodel import col, select

from service.notifications.models import Message
from service.welfare.actions.telling import (
    find_appetites,
    find_intakes,
    tell_appetites,
    tell_intakes,
)
from service.worker import look_after_appetites, look_after_intakes
from tests.architecture.test_statements import counted
from tests.kitchen import START, Kitchen

DAY = timedelta(days=1)
PENGUIN = {"taxon": "Spheniscus humboldti", "group": "penguin"}
SEA_LION = {"taxon": "Zalophus californianus", "group": "pinniped"}


def look(kitchen: Kitchen) -> int:
    with kitchen.looking() as session:
        found = find_appetites(session, kitchen.clock())
    with kitchen.writing() as session:
        return tell_appetites(session, found, kitchen.clock())


def daily_look(kitchen: Kitchen) -> int:
    with kitchen.looking() as session:
        found = find_intakes(session, kitchen.clock())
    with kitchen.writing() as session:
        return tell_intakes(session, found, kitchen.clock())


def told(kitchen: Kitchen) -> list[tuple[str, str]]:
    with kitchen.looking() as session:
        rows = session.exec(
            select(Message).where(col(Message.subject) == "animal").order_by(col(Message.id))
        )
        return [(row.title, row.urgency) for row in rows]


def open_(kitchen: Kitchen) -> list[tuple[str, str, str | None]]:
    items = kitchen.keeper.shown("/welfare")["items"]
    return [(item["animal"] or item["group"], item["kind"], item["reason"]) for item in items]


class House:
    """A kitchen with herring thawed anew each day, and animals that are fed from it."""

    def __init__(self, kitchen: Kitchen) -> None:
        self.kitchen = kitchen
        self.lot = kitchen.a_lot(mass="500 kg")["code"]
        self.batch = ""

    def morning(self) -> None:
        self.batch = self.kitchen.pulled(self.lot, "50 kg")["code"]

    def diet(self, who: str, kg: float = 4, *, group: bool = False, since: str = "") -> None:
        body = {
            "from": since or str(self.kitchen.clock().date()),
            "items": [{"species": "HER", "mass": f"{kg} kg"}],
            "feeds_per_day": 2,
        }
        where = "groups" if group else "animals"
        self.kitchen.nutritionist.made(f"/{where}/{who}/diets", body)

    def feed(self, who: str, eaten: float, offered: float = 2, **more: Any) -> Any:
        item = {"thaw_batch": self.batch, "offered": f"{offered} kg", "eaten": f"{eaten} kg"}
        return self.kitchen.keeper.made("/feeds", {"animal": who, "items": [item]} | more)

    def a_day(self, eaten: dict[str, float], offered: float = 4) -> None:
        """Fish is pulled in the morning; two feeds; the next morning comes."""
        self.morning()
        self.kitchen.clock.forward(hours=3)
        for _ in range(2):
            for who, kg in eaten.items():
                self.feed(who, kg / 2, offered / 2)
            self.kitchen.clock.forward(hours=6)
        self.kitchen.clock.forward(hours=9)


@pytest.fixture
def house(kitchen: Kitchen) -> House:
    return House(kitchen)


def animal(kitchen: Kitchen, code: str, kind: dict[str, str]) -> str:
    kitchen.keeper.made("/animals", {"code": code, "name": code.title(), **kind})
    return code


def test_an_animal_that_refuses_for_a_day_is_told_to_the_vet_at_once_and_once(
    kitchen: Kitchen, house: House
) -> None:
    house.morning()
    house.feed("BRINE", 2)
    kitchen.clock.forward(hours=5)
    house.feed("BRINE", 0)
    assert look(kitchen) == 0
    kitchen.clock.forward(hours=19, seconds=1)
    assert look(kitchen) == 1 and look(kitchen) == 0
    assert told(kitchen) == [("BRINE: off food (refused)", "now")]
    (concern,) = kitchen.vet.shown("/welfare")["items"]
    assert datetime.fromisoformat(concern["since"]) == START
    assert (concern["rule"], concern["source"][:16]) == ("off-food", "9 CFR 3.105(c); ")
    assert concern["to_do"].startswith("tell the attending veterinarian")
    with kitchen.looking() as session:
        body = session.exec(select(Message.body).where(col(Message.subject) == "animal")).one()
    assert house.lot in body


def test_that_it_eats_again_is_told_too(kitchen: Kitchen, house: House) -> None:
    house.morning()
    house.feed("BRINE", 2)
    house.feed("BRINE", 0)
    kitchen.clock.forward(days=1, hours=1)
    house.morning()
    house.feed("BRINE", 0)
    assert look(kitchen) == 1
    house.feed("BRINE", 0.1)
    assert look(kitchen) == 0
    assert told(kitchen)[-1] == ("BRINE: off food (refused) is over", "now")
    assert open_(kitchen) == []
    (ended,) = kitchen.vet.shown("/welfare?ended=true&animal=brine")["items"]
    assert datetime.fromisoformat(ended["ended_at"]) == kitchen.clock()


def test_a_feed_taken_back_does_not_count(kitchen: Kitchen, house: House) -> None:
    house.morning()
    house.feed("BRINE", 2)
    kitchen.clock.forward(hours=20)
    house.feed("BRINE", 0)
    wrong = house.feed("BRINE", 2)
    kitchen.clock.forward(hours=5)
    assert look(kitchen) == 0
    body = {"reason": "it was another animal"}
    kitchen.keeper.made(f"/movements/{wrong['movement_id']}/reversal", body)
    assert look(kitchen) == 1


def test_what_nobody_recorded_is_asked_of_the_keepers_and_wakes_nobody(
    kitchen: Kitchen, house: House
) -> None:
    """Due at eight and at sixteen by the policy's feeding day; the site's zone is UTC."""
    house.diet("BRINE")
    house.morning()
    house.feed("BRINE", 2)
    kitchen.clock.at = START + timedelta(hours=24, seconds=1)
    assert look(kitchen) == 1
    assert told(kitchen) == [("BRINE: off food (not recorded)", "today")]
    late = (START + timedelta(hours=10)).isoformat()
    house.feed("BRINE", 0, occurred_at=late, already_done=True)
    assert look(kitchen) == 1, "now it is known that it refused: that is news"
    assert told(kitchen)[1:] == [("BRINE: off food (refused)", "now")]
    assert open_(kitchen) == [("BRINE", "off_food", "refused")]


def test_what_was_not_offered_is_told_apart(kitchen: Kitchen, house: House) -> None:
    house.morning()
    house.feed("BRINE", 2)
    body = {"animal": "BRINE", "items": [], "outcome": "not_offered", "note": "gate was stuck"}
    kitchen.clock.forward(hours=10)
    kitchen.keeper.made("/feeds", body)
    kitchen.clock.forward(hours=15)
    assert look(kitchen) == 1
    assert told(kitchen) == [("BRINE: off food (not offered)", "now")]


def test_a_dated_fast_is_no_news_until_the_animal_is_below_its_floor(
    kitchen: Kitchen, house: House
) -> None:
    house.morning()
    house.feed("BRINE", 2)
    house.feed("BRINE", 0)
    kitchen.vet.made("/animals/BRINE/weights", {"mass": "104 kg"})
    fast = {"from": "2026-11-26", "reason": "moult", "weight_floor": "95 kg"}
    kitchen.vet.made("/animals/BRINE/fasts", fast)
    kitchen.clock.forward(days=3)
    assert look(kitchen) == 0 and told(kitchen) == []
    kitchen.vet.made("/animals/BRINE/weights", {"mass": "94.5 kg"})
    assert look(kitchen) == 1
    assert told(kitchen) == [("BRINE: weight floor", "now")]
    (concern,) = kitchen.vet.shown("/welfare")["items"]
    assert "94.5 kg, below the floor of 95 kg" in concern["because"]
    kitchen.clock.forward(days=8)
    assert look(kitchen) == 1, "nobody has weighed it for a week"
    assert told(kitchen)[-1] == ("BRINE: not weighed", "today")


def test_after_a_fast_it_has_a_day_to_begin(kitchen: Kitchen, house: House) -> None:
    house.morning()
    house.feed("BRINE", 2)
    fast = {"from": "2026-11-25", "until": "2026-11-27", "reason": "medical"}
    kitchen.vet.made("/animals/BRINE/fasts", fast)
    kitchen.clock.at = datetime(2026, 11, 28, 6, tzinfo=UTC)
    house.morning()
    house.feed("BRINE", 0)
    assert look(kitchen) == 0
    kitchen.clock.forward(hours=19)
    assert look(kitchen) == 1


def test_a_penguin_has_two_days_and_none_in_moult_is_told(kitchen: Kitchen, house: House) -> None:
    """Normal fasts of birds: 9 CFR 3.155(a)."""
    animal(kitchen, "PING", PENGUIN)
    animal(kitchen, "PONG", PENGUIN)
    kitchen.vet.made("/animals/PONG/stages", {"stage": "moulting", "from": "2026-11-24"})
    house.morning()
    for who in ("PING", "PONG"):
        house.feed(who, 0.2, 0.2)
        house.feed(who, 0, 0.2)
    kitchen.clock.forward(days=2)
    assert look(kitchen) == 0
    kitchen.clock.forward(hours=1)
    assert look(kitchen) == 1
    assert open_(kitchen) == [("PING", "off_food", "refused")]


def test_an_animal_that_is_gone_is_not_missed(kitchen: Kitchen, house: House) -> None:
    house.diet("BRINE")
    house.morning()
    house.feed("BRINE", 2)
    kitchen.clock.forward(hours=1)
    body = {"reason": "moved to another house"}
    kitchen.manager.made("/animals/BRINE/departure", body)
    kitchen.clock.forward(days=2)
    assert look(kitchen) == 0


def test_a_group_that_is_fed_together_is_watched_as_one(kitchen: Kitchen, house: House) -> None:
    kitchen.keeper.made("/groups", {"code": "ROCK", "name": "The rock", "unnamed": 20})
    house.diet("ROCK", 0.2, group=True)
    house.morning()
    item = {"thaw_batch": house.batch, "offered": "2 kg", "eaten": "2 kg"}
    kitchen.keeper.made("/feeds", {"group": "ROCK", "present": 20, "items": [item]})
    kitchen.clock.forward(hours=10)
    item = {"thaw_batch": house.batch, "offered": "2 kg", "eaten": "0 kg"}
    kitchen.keeper.made("/feeds", {"group": "ROCK", "present": 20, "items": [item]})
    kitchen.clock.forward(hours=14, seconds=1)
    assert look(kitchen) == 1
    assert open_(kitchen) == [("ROCK", "off_food", "refused")]


def test_three_days_below_the_diet_are_told_with_what_was_left(
    kitchen: Kitchen, house: House
) -> None:
    """Our default: less than 80 % on each of three days."""
    house.diet("BRINE")
    for _ in range(2):
        house.a_day({"BRINE": 3})
    assert daily_look(kitchen) == 0
    house.a_day({"BRINE": 2})
    assert daily_look(kitchen) == 1 and daily_look(kitchen) == 0
    assert told(kitchen) == [("BRINE: intake low (refused)", "today")]
    (concern,) = kitchen.nutritionist.shown("/welfare")["items"]
    assert "it ate 75, 75, 50 % of its diet" in concern["because"]
    house.a_day({"BRINE": 4})
    assert daily_look(kitchen) == 0
    assert open_(kitchen) == []


def test_a_bull_in_rut_that_eats_little_is_no_news(kitchen: Kitchen, house: House) -> None:
    house.diet("BRINE")
    kitchen.keeper.made("/animals/BRINE/stages", {"stage": "rutting", "from": "2026-11-20"})
    for _ in range(3):
        house.a_day({"BRINE": 1})
    assert daily_look(kitchen) == 0


def test_too_little_offered_is_not_too_little_appetite(kitchen: Kitchen, house: House) -> None:
    house.diet("BRINE")
    for _ in range(3):
        house.a_day({"BRINE": 2}, offered=2)
    assert daily_look(kitchen) == 1
    assert open_(kitchen) == [("BRINE", "intake_low", "not_offered")]


def test_who_loses_mass_on_a_full_diet_is_told(kitchen: Kitchen, house: House) -> None:
    for code in ("SLIM", "LESS"):
        animal(kitchen, code, SEA_LION)
        house.diet(code)
        kitchen.keeper.made(f"/animals/{code}/weights", {"mass": "100 kg"})
    for _ in range(10):
        house.a_day({"SLIM": 4, "LESS": 4})
    kitchen.keeper.made("/animals/SLIM/weights", {"mass": "92 kg"})
    kitchen.keeper.made("/animals/LESS/weights", {"mass": "97 kg"})
    assert daily_look(kitchen) == 1
    assert open_(kitchen) == [("SLIM", "losing_mass", None)]
    (concern,) = kitchen.vet.shown("/welfare")["items"]
    assert "-8.0 % to 92 kg since 2026-11-25, while it ate 100 % of its diet" in concern["because"]


def test_who_gets_far_less_than_the_others_of_its_group_is_told(
    kitchen: Kitchen, house: House
) -> None:
    """Each is fed from the hand; one is pushed aside: its own diet would not tell, it has none."""
    kitchen.keeper.made("/groups", {"code": "POOL", "name": "The pool"})
    for code in ("ONE", "TWO", "THREE", "FOUR"):
        animal(kitchen, code, SEA_LION)
        kitchen.keeper.made("/groups/POOL/members", {"animal": code})
    for _ in range(3):
        house.a_day({"ONE": 4, "TWO": 3.6, "THREE": 3.8, "FOUR": 1.4})
    assert daily_look(kitchen) == 1
    assert open_(kitchen) == [("FOUR", "unequal_share", None)]


def test_the_worker_looks_by_itself(kitchen: Kitchen, house: House) -> None:
    house.morning()
    house.feed("BRINE", 2)
    house.feed("BRINE", 0)
    kitchen.clock.forward(hours=25)
    look_after_appetites(kitchen.app.state.database, kitchen.clock)
    look_after_intakes(kitchen.app.state.database, kitchen.clock)
    assert open_(kitchen) == [("BRINE", "off_food", "refused")]


def test_a_look_costs_the_same_for_many_animals(kitchen: Kitchen, house: House) -> None:
    def statements() -> int:
        with counted(kitchen) as sent, kitchen.looking() as session:
            find_appetites(session, kitchen.clock())
            find_intakes(session, kitchen.clock())
        return len(sent)

    house.morning()
    house.diet("BRINE", since="2026-11-01")
    house.feed("BRINE", 2)
    few = statements()
    for number in range(5):
        house.diet(animal(kitchen, f"MANY{number}", SEA_LION), since="2026-11-01")
        house.feed(f"MANY{number}", 2)
    assert statements() == few


def test_fish_needed_against_fish_pulled_and_eaten(kitchen: Kitchen, house: House) -> None:
    house.diet("BRINE", 5)
    house.morning()  # 50 kg
    house.feed("BRINE", 4, offered=5)
    body = {"mass": "15 kg", "reason": "too much"}
    kitchen.keeper.made(f"/thaw-batches/{house.batch}/discard", body)
    wrong = house.feed("BRINE", 1, offered=1)
    body = {"reason": "twice"}
    kitchen.keeper.made(f"/movements/{wrong['movement_id']}/reversal", body)
    shown = kitchen.nutritionist.shown("/fish-use?from=2026-11-24&to=2026-11-25")
    (total,) = shown["total"]
    assert {key: total[key]["g"] for key in total if key not in ("species", "eaten_share")} == {
        "need": 5_000,
        "pulled": 50_000,
        "eaten": 4_000,
        "left": 1_000,
        "lost": 0,
        "discarded": 15_000,
        "still_there": 30_000,
    }
    assert total["eaten_share"] == 0.2
    assert [day["species"] for day in shown["days"]] == [[], [total]]
    for query in ("from=2026-11-25&to=2026-11-24", "from=2026-01-01&to=2026-11-24"):
        assert kitchen.keeper.get(f"/fish-use?{query}").status_code == 422
