"""Cold rooms: what everybody sees, who may write what down, who may decide."""

import re
from datetime import timedelta
from html import unescape
from typing import Any

import pytest

from service.checks.rules import CheckKind
from tests.assessments.outages import NIGHT, assessed, excursion, readings, watched
from tests.kitchen import START, Kitchen
from tests.pages.visiting import Visitor, visitor

SHORT = {2: -14.0, 2.5: -9.0, 3: -8.0, 9: -15.0, 9.5: -20.0, 10: -22.0}  # warm for seven hours
HOSTILE = '"><img src=x onerror=alert(1)>'
SIGNED = {"reason": "looked at it", "corrective_action": "the door has a spring now"}


def a_warm_night(kitchen: Kitchen, **lot: Any) -> tuple[str, int]:
    code = str(kitchen.a_lot(**lot)["code"])
    readings(kitchen, SHORT)
    watched(kitchen)
    return code, int(excursion(kitchen)["id"])


def text_of(page: str) -> str:
    """What of a page is read, without its marks."""
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", page)).split())


def rooms_page(who: Visitor, path: str = "/rooms") -> str:
    return text_of(who.page(path))


def room(who: Visitor, code: str) -> str:
    """What the page of all places says of one."""
    parts = who.page("/rooms").split('<section class="room')
    (own,) = [part for part in parts if f'href="/rooms/{code}"' in part]
    return text_of(f"<section{own}")


def decision(lots: dict[str, str], **more: str) -> dict[str, str]:
    fields = SIGNED | more
    for n, (lot, choice) in enumerate(lots.items()):
        fields |= {f"lots.{n}.lot": lot, f"lots.{n}.decision": choice}
    return fields


def checks(kitchen: Kitchen) -> list[Any]:
    found: list[Any] = kitchen.keeper.shown("/checks")["items"]
    return found


# Every place now.


def test_every_place_says_how_cold_it_is_and_how_much_fish_lies_there(kitchen: Kitchen) -> None:
    kitchen.a_lot(mass="100 kg")
    kitchen.temperatures("FZ1-AIR", START - timedelta(hours=30), [-21.0] * 30 + [-21.4])
    who = visitor(kitchen, "keeper")
    freezer = room(who, "FZ1")
    assert "−21.4 °C" in freezer and "limit −18.0 °C" in freezer
    assert "100.0 kg of fish" in freezer
    assert "nobody has measured here yet" in room(who, "FZ2")
    assert "no thermometer hangs here" in room(who, "KITCHEN")


def test_a_cold_place_is_cold_and_a_silent_one_says_since_when_nobody_measured(
    kitchen: Kitchen,
) -> None:
    kitchen.temperatures("FZ1-AIR", START - timedelta(hours=10), [-21.0] * 121, every_s=300)
    kitchen.temperatures("FZ2-AIR", START - timedelta(hours=10), [-21.0] * 50, every_s=300)
    who = visitor(kitchen, "keeper")
    page = rooms_page(who)
    assert page.index("FZ2") < page.index("FZ1"), "who needs somebody stands first"
    assert room(who, "FZ1").endswith(" cold")
    assert "nobody measured since 00:05" in room(who, "FZ2")


def test_a_warm_place_says_since_when_leads_to_its_excursion_and_warns(kitchen: Kitchen) -> None:
    kitchen.a_lot()
    readings(kitchen, {10: -9.0})
    watched(kitchen)
    who = visitor(kitchen, "keeper")
    page = rooms_page(who)
    assert re.search(r"warm since 0[34]:\d\d", page)
    assert "too warm" in page and "goes on" in page
    assert "a thermometer in the fish decides" in page
    assert f'href="/rooms/excursions/{excursion(kitchen)["id"]}"' in who.page("/rooms")


def test_a_single_warm_reading_is_no_alarm(kitchen: Kitchen) -> None:
    kitchen.temperatures("FZ1-AIR", START - timedelta(hours=5), [-21.0] * 60 + [-12.0], 300)
    watched(kitchen)
    assert "above its limit, not for long yet" in rooms_page(visitor(kitchen, "keeper"))


def test_a_second_probe_speaks_where_the_first_has_fallen_silent(kitchen: Kitchen) -> None:
    kitchen.manager.made("/probes", {"code": "FZ1-DOOR", "place": "FZ1", "kind": "air"})
    kitchen.temperatures("FZ1-AIR", START - timedelta(hours=9), [-20.0] * 80, 300)
    kitchen.temperatures("FZ1-DOOR", START - timedelta(hours=9), [-22.0] * 109, 300)
    freezer = room(visitor(kitchen, "keeper"), "FZ1")
    assert "−22.0 °C" in freezer
    assert "nobody measured since" not in freezer


# One place.


@pytest.mark.parametrize("span", ["6h", "day", "week", "month", "year", "5y"])
def test_a_place_is_shown_from_hours_to_years_with_few_points(kitchen: Kitchen, span: str) -> None:
    kitchen.a_lot()
    readings(kitchen, SHORT)
    watched(kitchen)
    page = visitor(kitchen, "keeper").page(f"/rooms/FZ1?span={span}")
    (path,) = re.findall(r'<path d="(M[^"]*)" class="chart-line"', page)
    assert 1 <= path.count(",") <= 760
    assert len(page) < 300_000
    assert "limit −18.0 °C" in page
    if span != "6h":
        assert f"/rooms/excursions/{excursion(kitchen)['id']}" in page
    if span in ("week", "month"):
        assert text_of(page).count("nothing measured") > 3


def test_earlier_and_later_lead_through_time_and_never_into_the_future(kitchen: Kitchen) -> None:
    readings(kitchen, {})
    who = visitor(kitchen, "keeper")
    now = who.page("/rooms/FZ1?span=day")
    assert "Later" not in now
    (earlier,) = re.findall(r'href="([^"]+)">← Earlier', now)
    before = who.page(unescape(earlier))
    assert "Later" in before and "chart-line" in before
    far = who.page("/rooms/FZ1?span=5y&until=2190-01-01T00:00:00Z")
    assert "Later" not in far
    assert who.page("/rooms/FZ1?span=5y&until=1971-01-01T00:00:00Z")


@pytest.mark.parametrize("asked", ["span=decade", "until=yesterday", "until=2026-11-24", "kind=x"])
def test_a_stretch_of_time_that_nobody_knows_is_named_and_no_failure(
    kitchen: Kitchen, asked: str
) -> None:
    who = visitor(kitchen, "keeper")
    path = "/rooms/FZ1/check" if asked.startswith("kind") else "/rooms/FZ1"
    answer = who.get(f"{path}?{asked}")
    assert answer.status_code == 422
    assert asked.split("=", maxsplit=1)[0] in answer.text


def test_the_table_of_a_chart_is_a_table(kitchen: Kitchen) -> None:
    kitchen.temperatures("FZ1-AIR", START - timedelta(hours=5), [-21.0] * 61, 300)
    who = visitor(kitchen, "keeper")
    (link,) = re.findall(r'href="(/v1/places/FZ1/temperatures[^"]+)"', who.page("/rooms/FZ1"))
    answer = who.get(unescape(link))
    assert answer.headers["content-type"].startswith("text/csv")
    assert answer.text.startswith("at,mean_c,min_c,max_c,coverage") and "-21.0" in answer.text


def test_a_time_in_which_nobody_measured_is_told(kitchen: Kitchen) -> None:
    kitchen.temperatures("FZ1-AIR", START - timedelta(hours=20), [-21.0] * 60, 300)
    page = rooms_page(visitor(kitchen, "keeper"), "/rooms/FZ1?span=day")
    assert "Nobody measured for 19 h" in page
    assert "Nobody measured anything" in rooms_page(visitor(kitchen, "keeper"), "/rooms/FZ2")


def test_who_went_in_and_out_is_marked_and_what_was_taken_back_is_not(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot(arrived="2026-11-24T16:00:00Z")["code"]
    kitchen.pulled(lot, "20 kg")
    wrong = kitchen.keeper.made(
        "/pulls", {"lot": lot, "from_place": "FZ1", "mass": "30 kg", "to_place": "TANK1"}
    )
    kitchen.keeper.made(f"/movements/{wrong['movement_id']}/reversal", {"reason": "wrong lot"})
    kitchen.clock.forward(minutes=5)
    page = rooms_page(visitor(kitchen, "keeper"), "/rooms/FZ1?span=day")
    assert f"100.0 kg of {lot} put in" in page
    assert f"20.0 kg of {lot} taken out" in page
    assert "30.0 kg" not in page
    assert "taken out" not in rooms_page(visitor(kitchen, "keeper"), "/rooms/FZ2?span=day")


def test_the_thermometers_of_a_place_say_when_they_are_to_be_calibrated(kitchen: Kitchen) -> None:
    page = rooms_page(visitor(kitchen, "keeper"), "/rooms/FZ1")
    assert "FZ1-AIR" in page and "Never calibrated" in page and "FZ2-AIR" not in page
    kitchen.keeper.made(
        "/probes/FZ1-AIR/calibrations", {"method": "ice_point", "measured": "0.1 °C"}
    )
    assert "Calibration due" in rooms_page(visitor(kitchen, "keeper"), "/rooms/FZ1")


def test_a_site_that_measures_in_fahrenheit_sees_fahrenheit(kitchen: Kitchen) -> None:
    site = kitchen.manager.shown("/sites")["items"][0]
    kitchen.manager.put(
        f"/sites/{site['code']}",
        {"name": site["name"], "timezone": "America/Chicago", "mass_unit": "lb",
         "temperature_unit": "f"},
    )  # fmt: skip
    kitchen.a_lot()
    readings(kitchen, SHORT)
    watched(kitchen)
    who = visitor(kitchen, "vet")
    page = rooms_page(who, "/rooms/FZ1?span=week")
    assert "−7.6 °F" in page and "limit 0.0 °F" in page and "lb" in page
    assert "°C" not in page
    assert "°F" in rooms_page(who, f"/rooms/excursions/{excursion(kitchen)['id']}")
    who.sent(
        "/rooms/FZ1/check",
        {"kind": "air", "temperature.value": "-4", "temperature.unit": "F"},
    )
    assert checks(kitchen)[0]["temperature"]["c"] == -20.0


# By hand.


def test_a_keeper_writes_down_the_air_and_sees_it(kitchen: Kitchen) -> None:
    who = visitor(kitchen, "keeper")
    fields = {"kind": "air", "temperature.value": "-19.2", "temperature.unit": "C"}
    assert who.sent("/rooms/FZ1/check", fields | {"_key": "k1"}) == "/rooms/FZ1"
    who.sent("/rooms/FZ1/check", fields | {"_key": "k1"})
    (check,) = checks(kitchen)
    assert (check["kind"], check["place"], check["temperature"]["c"]) == ("air", "FZ1", -19.2)
    page = rooms_page(who, "/rooms/FZ1")
    assert "Written down: the air, −19.2 °C." in page
    assert "−19.2 °C – keeper" in page


@pytest.mark.parametrize("kind", list(CheckKind))
def test_every_kind_of_check_has_its_form(kitchen: Kitchen, kind: CheckKind) -> None:
    kitchen.a_lot(place="COOL")
    page = visitor(kitchen, "keeper").page(f"/rooms/COOL/check?kind={kind}")
    assert f'name="kind" value="{kind}"' in page
    filled = {"temperature.value": "1", "temperature.unit": "C"}
    forms: dict[CheckKind, dict[str, Any]] = {
        CheckKind.AIR: filled,
        CheckKind.CORE: filled | {"lot": re.findall(r'name="lot" value="([^"]+)"', page)[-1:]},
        CheckKind.CONTAINER: filled,
        CheckKind.ICE_POINT: {"probe": "COOL-AIR", "measured.value": "0", "measured.unit": "C"},
        CheckKind.CLEANED: {},
        CheckKind.SANITISED: {"method": "disinfectant", "contact_minutes": "12"},
    }
    assert visitor(kitchen, "keeper").sent("/rooms/COOL/check", forms[kind] | {"kind": kind})
    assert [check["kind"] for check in checks(kitchen)] == [kind]


@pytest.mark.parametrize(
    ("fields", "field"),
    [
        ({"kind": "air"}, "temperature"),
        ({"kind": "air", "temperature.value": "cold", "temperature.unit": "C"}, "temperature"),
        ({"kind": "air", "temperature.value": "-300", "temperature.unit": "C"}, "temperature"),
        ({"kind": "warmth"}, "kind"),
        ({}, "kind"),
        ({"kind": "core", "lot": "NO-LOT", "temperature": "-18 °C"}, "lot"),
        ({"kind": "air", "temperature": "-18 °C", "occurred_at": "2030-01-01T10:00"},
         "occurred_at"),
        ({"kind": "sanitised"}, "method"),
    ],
)  # fmt: skip
def test_a_check_that_cannot_be_is_refused_by_its_field_and_not_stored(
    kitchen: Kitchen, fields: dict[str, str], field: str
) -> None:
    answer = visitor(kitchen, "keeper").post("/rooms/FZ1/check", fields)
    assert answer.status_code in (404, 422)
    assert field in answer.text
    assert checks(kitchen) == []


def test_who_may_not_measure_is_offered_no_form(kitchen: Kitchen) -> None:
    who = visitor(kitchen, "nutritionist")
    assert "Measure by hand" not in who.page("/rooms/FZ1")
    assert who.get("/rooms/FZ1/check").status_code == 403
    assert who.post("/rooms/FZ1/check", {"kind": "cleaned"}).status_code == 403
    assert checks(kitchen) == []


# An excursion.


def test_an_excursion_is_read_as_a_story(kitchen: Kitchen) -> None:
    lot, number = a_warm_night(kitchen)
    page = rooms_page(visitor(kitchen, "keeper"), f"/rooms/excursions/{number}")
    order = [
        "It became warmer than its limit.",
        "The air was at −8.0 °C.",
        "It was cold again. It had lasted",
        "What it did to the fish",
        f"{lot} HER",
    ]
    assert [page.index(each) for each in order] == sorted(page.index(each) for each in order)
    assert "histamine is destroyed neither by freezing nor by cooking" in page
    assert "the attending veterinarian decides" in page


def test_keepers_see_numbers_and_vets_ranges_and_reasons(kitchen: Kitchen) -> None:
    _, number = a_warm_night(kitchen)
    path = f"/rooms/excursions/{number}"
    keeper, vet = (rooms_page(visitor(kitchen, role), path) for role in ("keeper", "vet"))
    assert "Core, as estimated" in keeper and "Storage life lost" in keeper
    assert " … " in vet and "excursion-open" in vet and "Source" in vet
    assert " … " not in keeper and "excursion-open" not in keeper


def test_a_core_that_was_measured_counts_at_once_and_a_decision_settles_it(
    kitchen: Kitchen,
) -> None:
    lot, number = a_warm_night(kitchen)
    path = f"/rooms/excursions/{number}"
    who = visitor(kitchen, "commissary")
    fields = {
        "kind": "core", "lot": lot, "position": "corner", "excursion": str(number),
        "temperature.value": "-13.4", "temperature.unit": "C",
        "occurred_at": f"{NIGHT + timedelta(hours=8.9):%Y-%m-%dT%H:%M}",
    }  # fmt: skip
    assert who.sent("/rooms/FZ1/check", fields) == path
    page = rooms_page(who, path)
    assert "It counts in the assessment at once." in page
    assert f"a core −13.4 °C ({lot}, corner)" in page
    assert who.sent(f"{path}/decision", decision({lot: "use_first"})) == path
    page = rooms_page(who, path)
    assert "Signed." in page and f"Decided: {lot}: use first. looked at it." in page
    assert assessed(kitchen, number)["state"] == "decided"


def test_warm_fish_is_the_vets_to_decide_on(kitchen: Kitchen) -> None:
    lot, number = a_warm_night(kitchen)
    path = f"/rooms/excursions/{number}"
    commissary = visitor(kitchen, "commissary")
    assert "only the vet lets it be used" in rooms_page(commissary, path)
    answer = commissary.post(f"{path}/decision", decision({lot: "use"}, _back=path))
    assert answer.status_code == 409
    assert "excursion-open" in answer.text and "a vet decides" in unescape(answer.text)
    assert "Do it all the same" not in answer.text, "the commissary cannot override this rule"
    assert assessed(kitchen, number)["undecided"] == [lot]
    assert kitchen.keeper.shown(f"/excursions/{number}/decisions")["items"] == []
    visitor(kitchen, "vet").sent(f"{path}/decision", decision({lot: "use"}))
    assert assessed(kitchen, number)["undecided"] == []


def test_lots_without_an_answer_wait(kitchen: Kitchen) -> None:
    first = str(kitchen.a_lot(mass="60 kg")["code"])
    second, number = a_warm_night(kitchen, mass="480 kg", caught="2026-07-01")
    path = f"/rooms/excursions/{number}"
    who = visitor(kitchen, "vet")
    fields = SIGNED | {
        "lots.0.lot": first, "lots.1.lot": second, "lots.1.decision": "hold",
    }  # fmt: skip
    who.sent(f"{path}/decision", fields)
    assert f"Still waiting: {first}." in rooms_page(who, path)
    assert assessed(kitchen, number)["undecided"] == [first]
    assert kitchen.keeper.shown(f"/lots/{second}")["status"] == "held"


@pytest.mark.parametrize(
    ("fields", "field"),
    [
        (SIGNED, "lots"),
        (decision({"LOT": "burn"}), "lots.0.decision"),
        ({"lots.0.lot": "LOT", "lots.0.decision": "use"}, "reason"),
        (decision({"LOT": "use"}, reason="no"), "reason"),
        (decision({"ANOTHER": "use"}), "lots.0.lot"),
    ],
)
def test_a_decision_that_is_not_complete_names_what_is_missing_and_signs_nothing(
    kitchen: Kitchen, fields: dict[str, str], field: str
) -> None:
    lot, number = a_warm_night(kitchen)
    fields = {name: lot if value == "LOT" else value for name, value in fields.items()}
    answer = visitor(kitchen, "vet").post(f"/rooms/excursions/{number}/decision", fields)
    assert answer.status_code == 422
    assert field in answer.text
    assert kitchen.keeper.shown(f"/excursions/{number}/decisions")["items"] == []


def test_who_may_not_decide_is_offered_no_decision(kitchen: Kitchen) -> None:
    lot, number = a_warm_night(kitchen)
    path = f"/rooms/excursions/{number}"
    for role in ("keeper", "nutritionist", "inspector"):
        who = visitor(kitchen, role)
        assert "What becomes of it" not in who.page(path)
        assert who.post(f"{path}/decision", decision({lot: "use"})).status_code == 403
    assert assessed(kitchen, number)["undecided"] == [lot]


def test_what_was_decided_can_be_decided_again(kitchen: Kitchen) -> None:
    lot, number = a_warm_night(kitchen)
    path = f"/rooms/excursions/{number}"
    who = visitor(kitchen, "vet")
    who.sent(f"{path}/decision", decision({lot: "use"}))
    assert "lots.0.decision" not in who.page(path)
    assert "lots.0.decision" in who.page(f"{path}?again=true")
    who.sent(f"{path}/decision", decision({lot: "hold"}))
    assert kitchen.keeper.shown(f"/lots/{lot}")["status"] == "held"


def test_the_cartons_to_probe_first_are_named_while_the_fish_is_warm(kitchen: Kitchen) -> None:
    lot, number = a_warm_night(kitchen)
    kitchen.clock.at = NIGHT + timedelta(hours=8.9)
    page = visitor(kitchen, "keeper").page(f"/rooms/excursions/{number}")
    assert "Probe these cartons first" in page
    assert "an outer corner carton of the top layer" in page
    assert f'name="lot" value="{lot}"' in page and 'name="position" value="corner"' in page


def test_hostile_names_stay_words(kitchen: Kitchen) -> None:
    kitchen.manager.made("/places", {"code": "ODD", "name": HOSTILE, "kind": "freezer"})
    kitchen.manager.made("/probes", {"code": "ODD-AIR", "place": "ODD", "kind": "air"})
    who = visitor(kitchen, "keeper")
    who.sent("/rooms/ODD/check", {"kind": "cleaned", "note": "<script>alert(1)</script>"})
    for path in ("/rooms", "/rooms/ODD", "/rooms/ODD/check"):
        page = who.page(path)
        assert "<img" not in page and "<script>alert" not in page
    assert "<script>alert(1)</script>" in rooms_page(who, "/rooms/ODD")


def test_a_place_or_an_excursion_that_nobody_knows_is_not_found(kitchen: Kitchen) -> None:
    who = visitor(kitchen, "keeper")
    for path in ("/rooms/NOWHERE", "/rooms/NOWHERE/check", "/rooms/excursions/77"):
        assert who.get(path).status_code == 404, path
    assert who.get("/rooms/excursions/x").status_code == 422


def test_all_excursions_are_listed_newest_first(kitchen: Kitchen) -> None:
    _, number = a_warm_night(kitchen)
    page = visitor(kitchen, "keeper").page("/rooms/excursions")
    assert f"/rooms/excursions/{number}" in page and "FZ1: too warm" in text_of(page)
