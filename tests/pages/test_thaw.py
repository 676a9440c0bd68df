"""Thaw pages: the day, plans, the pull list, cartons confirmed by scanning, thaw batches."""

from typing import Any

from tests.kitchen import Kitchen
from tests.pages.visiting import Visitor, visitor

FIRST, LAST = "2026-11-26T08:00:00Z", "2026-11-26T10:00:00Z"
DAY = "2026-11-26"
HOSTILE = "<script>alert(1)</script>"


def planned(kitchen: Kitchen, mass: str = "25 kg", species: str = "HER", **more: Any) -> Any:
    return kitchen.keeper.made(
        "/thaw-requests",
        {
            "first_feed_at": FIRST,
            "last_feed_at": LAST,
            "thaw_place": "TANK1",
            "lines": [{"species": species, "mass": mass}],
            **more,
        },
    )


def batches(kitchen: Kitchen) -> Any:
    return kitchen.keeper.shown("/thaw-batches")["items"]


def pull_form(kitchen: Kitchen, plan: Any, **more: Any) -> dict[str, Any]:
    pull = plan["pulls"][0]
    return {
        "lot": pull["lot"],
        "from_place": pull["from_place"],
        "to_place": pull["to_place"],
        "mass.value": f"{pull['mass']['value']:g}",
        "mass.unit": "kg",
        "thaw_request": plan["id"],
        "_then": f"/thaw/pulls?day={DAY}",
        **more,
    }


def refused(who: Visitor, path: str, fields: dict[str, Any], status: int = 409) -> str:
    answer = who.post(path, fields)
    assert answer.status_code == status, answer.text[:1500]
    return answer.text


# The day


def test_the_day_shows_batches_with_their_clocks_and_pulls_that_are_due(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    batch = kitchen.pulled(lot, "12 kg")["code"]
    plan = planned(kitchen, "5 kg", "CAP")
    today, tomorrow = (
        visitor(kitchen, "keeper").page(f"/thaw?day={d}") for d in ("2026-11-25", DAY)
    )
    for page in (today, tomorrow):
        assert f"/thaw/batches/{batch}" in page
        assert "Discard after Thu 26 Nov 06:00" in page
    assert f"/thaw/plans/{plan['id']}/pulls/1" in tomorrow
    assert f"/thaw/plans/{plan['id']}/pulls/1" not in today
    assert "1 to pull, 0 done" in tomorrow


def test_fish_past_its_clock_is_to_be_discarded(kitchen: Kitchen) -> None:
    batch = kitchen.pulled(kitchen.a_lot("CAP")["code"], "12 kg")["code"]
    kitchen.clock.forward(hours=24, seconds=1)
    page = visitor(kitchen, "keeper").page(f"/thaw/batches/{batch}")
    assert "Its clock has run out" in page
    assert '<span class="mark stop">discard</span>' in visitor(kitchen, "keeper").page("/thaw")


def test_whoever_only_looks_is_offered_nothing_to_do(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("HER")["code"]
    plan = planned(kitchen)
    batch = kitchen.pulled(lot, "10 kg")["code"]
    who = visitor(kitchen, "inspector")
    addresses = ("/thaw", f"/thaw/plans/{plan['id']}", f"/thaw/pulls?day={DAY}")
    for path in (*addresses, f"/thaw/plans/{plan['id']}/pulls/1", f"/thaw/batches/{batch}"):
        page = who.page(path)
        assert 'action="/thaw' not in page, path
        assert 'href="/thaw/new' not in page, path
        assert 'href="/thaw/pulls/by-hand' not in page, path


# Plans


def test_a_day_is_planned_from_its_diets(kitchen: Kitchen) -> None:
    kitchen.a_lot("HER")
    diet = {"from": "2026-11-25", "items": [{"species": "HER", "mass": "4 kg"}], "feeds_per_day": 2}
    kitchen.nutritionist.made("/animals/BRINE/diets", diet)
    who = visitor(kitchen, "keeper")
    assert "TANK1" in who.page(f"/thaw/new?day={DAY}")
    fields = {
        "day": DAY, "thaw_place": "TANK1", "way": "best",
        "extras.0.species": "", "extras.0.mass.value": "", "extras.0.mass.unit": "kg",
    }  # fmt: skip
    path = who.sent("/thaw/plans", fields)
    page = who.page(path)
    assert "10.0 kg" in page and "1 carton" in page and "FZ1 → TANK1" in page
    assert "meets every clock" in page


def test_fish_is_planned_by_hand_and_empty_lines_do_not_count(kitchen: Kitchen) -> None:
    kitchen.a_lot("CAP")
    fields = {
        "lines.0.species": "CAP", "lines.0.mass.value": "5", "lines.0.mass.unit": "kg",
        "lines.1.species": "", "lines.1.mass.value": "", "lines.1.mass.unit": "kg",
        "thaw_place": "TANK1",
        "first_feed_at": "2026-11-26T08:00", "last_feed_at": "2026-11-26T10:00",
    }  # fmt: skip
    who = visitor(kitchen, "keeper")
    page = who.page(who.sent("/thaw/plans", fields))
    assert "5.00 kg" in page and "Pull" in page
    wrong = refused(who, "/thaw/plans", fields | {"lines.0.mass.value": "much"}, 422)
    assert 'data-fault="lines.0.mass"' in wrong


def test_a_plan_that_fails_a_clock_says_by_how_much_and_is_planned_again(kitchen: Kitchen) -> None:
    kitchen.a_lot("HER")
    plan = planned(kitchen, thaw_place="COOL")
    assert not plan["feasible"]
    who = visitor(kitchen, "keeper")
    path = f"/thaw/plans/{plan['id']}"
    assert "a clock fails" in who.page(path)
    assert who.sent(f"{path}/replan", {"way": "best"}) == path
    assert "meets every clock" in who.page(path)
    assert "How it has changed" in who.page(path)
    assert who.sent(f"{path}/cancel") == path
    assert "cancelled" in who.page(path) and f"{path}/cancel" not in who.page(path)
    assert kitchen.keeper.shown(f"/thaw-requests/{plan['id']}")["cancelled_at"] is not None


def test_missing_fish_is_told_and_a_substitute_stands_in_by_a_role_that_may(
    kitchen: Kitchen,
) -> None:
    kitchen.a_lot("CAP")
    item = {"species": "HER", "mass": "4 kg", "substitutes": ["CAP"]}
    diet = {"from": "2026-11-25", "items": [item], "feeds_per_day": 2}
    kitchen.nutritionist.made("/animals/BRINE/diets", diet)
    plan = kitchen.keeper.made("/thaw-requests", {"day": DAY, "thaw_place": "TANK1"})
    path = f"/thaw/plans/{plan['id']}"
    assert f"{path}/substitutions" not in visitor(kitchen, "inspector").page(path)
    who = visitor(kitchen, "keeper")
    page = who.page(path)
    assert "Fish is missing" in page and "BRINE" in page and f"{path}/substitutions" in page
    refused(who, f"{path}/substitutions", {"reason": ""}, 422)
    who.sent(f"{path}/substitutions", {"reason": "no herring came"})
    assert kitchen.keeper.shown(f"/thaw-requests/{plan['id']}")["pulls"][0]["species"] == "CAP"


# Pulling


def test_a_scanned_carton_finds_its_line_and_cartons_are_counted_up(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("HER")["code"]
    plan = planned(kitchen)
    who = visitor(kitchen, "keeper")
    assert "3 cartons, 30.0 kg" in who.page(f"/thaw/pulls?day={DAY}")
    line = who.sent("/thaw/pulls/scan", {"scanned": lot.lower(), "_day": DAY})
    assert line.startswith(f"/thaw/plans/{plan['id']}/pulls/1?cartons=1")
    assert "1 of 3 cartons" in who.page(line) and 'value="10"' in who.page(line)
    count = f"/thaw/plans/{plan['id']}/pulls/1/scan"
    line = who.sent(count, {"scanned": lot, "_counted": "2"})
    page = who.page(line)
    assert "3 of 3 cartons" in page and 'value="30"' in page
    assert batches(kitchen) == [], "counting stores nothing"
    assert who.sent("/thaw/pulls", pull_form(kitchen, plan, scanned=lot)) == (
        f"/thaw/pulls?day={DAY}"
    )
    (batch,) = batches(kitchen)
    listed = who.page(f"/thaw/pulls?day={DAY}")
    assert f"Pulled 30.0 kg: thaw batch {batch['code']}" in listed
    assert "Everything is pulled" in listed


def test_a_wrong_carton_is_refused_with_the_right_one_named_and_nothing_is_stored(
    kitchen: Kitchen,
) -> None:
    right, wrong = (kitchen.a_lot("HER")["code"] for _ in range(2))
    other = kitchen.a_lot("CAP")["code"]
    plan = planned(kitchen)
    assert plan["pulls"][0]["lot"] == right
    who = visitor(kitchen, "keeper")
    before = kitchen.balance()
    fields = {"scanned": wrong}
    assert f"take {right} from FZ1" in refused(who, "/thaw/pulls/scan", fields | {"_day": DAY})
    line = f"/thaw/plans/{plan['id']}/pulls/1/scan"
    assert f"this carton is of {wrong}: take {right}" in refused(who, line, fields)
    form = pull_form(kitchen, plan, scanned=wrong)
    assert f"take {right}" in refused(who, "/thaw/pulls", form)
    text = refused(who, "/thaw/pulls/scan", {"scanned": other, "_day": DAY})
    assert "no more of this fish is on the list" in text
    for text in ("<script>alert(1)</script>", "ZZZ", ""):
        page = refused(who, line, {"scanned": text}, 422)
        assert "<script>alert" not in page
    assert kitchen.balance() == before


def test_a_pull_that_has_happened_is_stored_with_what_it_breaches(kitchen: Kitchen) -> None:
    kitchen.a_lot("CAP", caught="2026-08-01")
    newer = kitchen.a_lot("CAP", caught="2026-09-01")["code"]
    form = {
        "lot": newer, "from_place": "FZ1", "to_place": "TANK1",
        "mass.value": "5", "mass.unit": "kg",
    }  # fmt: skip
    who = visitor(kitchen, "keeper")
    assert "older-lot-first" in refused(who, "/thaw/pulls", form)
    assert batches(kitchen) == []
    fact = {"already_done": "true", "occurred_at": "2026-11-25T05:30"}
    path = who.sent("/thaw/pulls", form | fact)
    (batch,) = batches(kitchen)
    assert path == f"/thaw/batches/{batch['code']}"
    assert batch["left_freezer_at"] == "2026-11-25T05:30:00Z"
    assert "first" in who.page(path), "the breach is told"


def test_a_role_that_may_decides_against_a_rule_with_a_reason(kitchen: Kitchen) -> None:
    kitchen.a_lot("CAP", caught="2026-08-01")
    newer = kitchen.a_lot("CAP", caught="2026-09-01")["code"]
    form = {
        "lot": newer, "from_place": "FZ1", "to_place": "TANK1",
        "mass.value": "5", "mass.unit": "kg",
    }  # fmt: skip
    who = visitor(kitchen, "manager")
    assert "Do it all the same" in refused(who, "/thaw/pulls", form)
    why = {"override.0.rule": "older-lot-first", "override.0.reason": "a training session"}
    who.sent("/thaw/pulls", form | why)
    assert [each["lot"] for each in batches(kitchen)] == [newer]


# A batch


def test_a_batch_goes_its_way_from_looks_to_the_next_place_and_is_discarded(
    kitchen: Kitchen,
) -> None:
    code = kitchen.pulled(kitchen.a_lot("CAP")["code"], "12 kg", to="COOL")["code"]
    path = f"/thaw/batches/{code}"
    kitchen.clock.forward(hours=10)
    who = visitor(kitchen, "keeper")
    assert "thawing" in who.page(path) and "Put back" not in who.page(path)
    assert who.sent(f"{path}/looks", {"_found": "part_thawed", "method": "touch"}) == path
    warm = {"_found": "part_thawed", "core_temperature.value": "4", "core_temperature.unit": "C"}
    assert "a core of 4.0 °C is thawed" in refused(who, f"{path}/looks", warm, 422)
    kitchen.clock.forward(hours=8)
    who = visitor(kitchen, "keeper")
    cold = {"core_temperature.value": "1", "core_temperature.unit": "C"}
    who.sent(f"{path}/looks", {"_found": "thawed", "not_yet_at": "2026-11-25T18:00"} | cold)
    air = {"part": "air", "temperature.value": "6", "temperature.unit": "C"}
    who.sent(f"{path}/temperatures", air)
    assert "Take note" in who.page(path)
    who.sent(f"{path}/move", {"to_place": "KITCHEN"})
    who.sent(f"{path}/drip", {"mass.value": "0.3", "mass.unit": "kg"})
    part = who.sent(f"{path}/split", {"mass.value": "2", "mass.unit": "kg"})
    assert part != path and code in who.page(part)
    refused(who, f"{path}/discard", {"reason": "", "mass.value": "", "mass.unit": "kg"}, 422)
    who.sent(f"{path}/discard", {"reason": HOSTILE, "mass.value": "", "mass.unit": "kg"})
    page = who.page(path)
    assert "nothing left" in page and "By thermometer" not in page and HOSTILE not in page
    assert kitchen.balance()["discarded"] == 9_700


def test_hard_frozen_fish_is_put_back_only_within_the_minutes(kitchen: Kitchen) -> None:
    code = kitchen.pulled(kitchen.a_lot("CAP")["code"], "12 kg")["code"]
    path = f"/thaw/batches/{code}"
    who = visitor(kitchen, "keeper")
    kitchen.clock.forward(minutes=5)
    assert "May go back until" in who.page(path)
    form = {
        "mass.value": "12", "mass.unit": "kg", "to_place": "FZ1",
        "core_temperature.value": "-5", "core_temperature.unit": "C",
    }  # fmt: skip
    assert "no-refreeze" in refused(who, f"{path}/put-back", form)
    who.sent(f"{path}/put-back", form | {"core_temperature.value": "-19"})
    assert "nothing left" in who.page(path)
    other = kitchen.pulled(kitchen.a_lot("CAP")["code"], "12 kg")["code"]
    kitchen.clock.forward(minutes=61)
    assert "Put back" not in visitor(kitchen, "keeper").page(f"/thaw/batches/{other}")


def test_keepers_see_times_and_nutritionists_their_ranges(kitchen: Kitchen) -> None:
    code = kitchen.pulled(kitchen.a_lot("CAP")["code"], "12 kg")["code"]
    for role, ranged in (("keeper", False), ("nutritionist", True)):
        page = visitor(kitchen, role).page(f"/thaw/batches/{code}")
        assert "thawed about" in page
        assert (" – " in page) == ranged, role


def test_names_that_people_gave_are_written_out_and_never_run(kitchen: Kitchen) -> None:
    kitchen.manager.made("/places", {"code": "EVIL", "name": HOSTILE, "kind": "thaw_room"})
    code = kitchen.pulled(kitchen.a_lot("CAP")["code"], "12 kg", to="EVIL")["code"]
    other = kitchen.pulled(kitchen.a_lot("CAP")["code"], "12 kg")["code"]
    who = visitor(kitchen, "keeper")
    for path in ("/thaw", "/thaw/new", "/thaw/pulls/by-hand", f"/thaw/batches/{code}"):
        assert HOSTILE not in who.page(path), path
    assert "&lt;script&gt;" in who.page(f"/thaw/batches/{other}")
