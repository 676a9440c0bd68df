"""Corrections with their evidence, and cartons that nobody can read."""

from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.provenance.rules import Candidate, Days, age_findings, taken_as
from tests.kitchen import START, Kitchen, Person

WHY = {"reason": "the label was misread", "evidence": "photo of the carton, 25 November"}


def corrected(kitchen: Kitchen, lot: str, **changes: Any) -> Any:
    return kitchen.commissary.made(f"/lots/{lot}/corrections", changes | WHY)


def refusal(answer: Any) -> tuple[int, str]:
    return answer.status_code, answer.json()["type"].removeprefix("/problems/")


# Corrections


def test_a_catch_date_is_corrected_with_its_evidence_and_the_old_one_stays_readable(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot(supplier_lot="A77")["code"]
    shown = corrected(kitchen, lot, caught_from="2026-07-20", supplier_lot="A-077")
    assert (shown["age_from"], shown["supplier_lot"]) == ("2026-07-20", "A-077")
    (catch, supplier_lot) = shown["corrections"]
    assert (catch["field"], catch["before"], catch["after"]) == (
        "caught_from",
        "2026-08-01",
        "2026-07-20",
    )
    assert (supplier_lot["before"], supplier_lot["after"]) == ("A77", "A-077")
    assert {catch["evidence"], supplier_lot["evidence"]} == {WHY["evidence"]}
    assert catch["by"] == "commissary"
    listed = kitchen.keeper.shown(f"/lots/{lot}")
    assert (listed["caught_from"], listed["caught_to"]) == ("2026-07-20", "2026-08-01")
    assert kitchen.keeper.shown(f"/lots/{lot}/provenance") == shown


def test_each_thing_that_is_written_of_a_lot_can_be_corrected(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot(supplier_lot="A77", frozen_on="2026-08-03")["code"]
    right = {
        "caught_from": "2026-07-30",
        "caught_to": "2026-07-31",
        "frozen_on": "2026-08-01",
        "best_before": "2027-08-01",
        "supplier_lot": "A78",
        "age_basis": "harvested",
    }
    shown = corrected(kitchen, lot, **right)
    assert {name: shown[name] for name in right} == right
    assert sorted(c["field"] for c in shown["corrections"]) == sorted(right)


def test_a_corrected_catch_date_changes_which_lot_is_used_first(kitchen: Kitchen) -> None:
    kitchen.a_lot("CAP", caught="2026-08-01")
    newer = kitchen.a_lot("CAP", caught="2026-08-05")["code"]
    pull = {"lot": newer, "from_place": "FZ1", "mass": "10 kg", "to_place": "TANK1"}
    assert refusal(kitchen.keeper.post("/pulls", pull)) == (409, "older-lot-first")
    corrected(kitchen, newer, caught_from="2026-07-01")
    assert kitchen.keeper.post("/pulls", pull).status_code == 201


def test_fish_is_not_talked_younger_by_one_person(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot(caught="2026-08-01")["code"]
    wish = {"caught_from": "2026-08-02", "caught_to": "2026-08-02", **WHY}
    answer = kitchen.commissary.post(f"/lots/{lot}/corrections", wish)
    assert refusal(answer) == (409, "younger-by-correction")
    assert kitchen.keeper.shown(f"/lots/{lot}")["caught_from"] == "2026-08-01"
    decided = [{"rule": "younger-by-correction", "reason": "the supplier sent the landing note"}]
    assert (
        kitchen.commissary.post(
            f"/lots/{lot}/corrections", wish | {"override": decided}
        ).status_code
        == 403
    )
    shown = kitchen.manager.made(f"/lots/{lot}/corrections", wish | {"override": decided})
    assert shown["age_from"] == "2026-08-02"
    (kept,) = kitchen.manager.shown("/deviations")["items"]
    assert (kept["rule"], kept["by"]) == ("younger-by-correction", "manager")


def test_a_missing_catch_date_is_filled_in_and_the_hold_is_for_people_to_end(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot(caught=None)
    assert corrected(kitchen, lot["code"], caught_from="2026-08-01")["age_from"] == "2026-08-01"
    assert kitchen.keeper.shown(f"/lots/{lot['code']}")["status"] == "held"


def test_a_keeper_corrects_nothing(small_kitchen: Kitchen) -> None:
    lot = small_kitchen.a_lot()["code"]
    answer = small_kitchen.keeper.post(
        f"/lots/{lot}/corrections", {"caught_from": "2026-07-01"} | WHY
    )
    assert refusal(answer) == (403, "not-allowed")


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({}, "body"),
        ({"caught_from": "2026-08-01"}, "caught_from"),  # what is written already
        ({"caught_from": "2026-11-30"}, "caught_from"),
        ({"caught_to": "2026-07-01"}, "caught_to"),
        ({"frozen_on": "2026-07-31"}, "frozen_on"),
        ({"age_basis": "smelt"}, "age_basis"),
        ({"caught_from": "2026-07-01", "evidence": ""}, "evidence"),
        ({"caught_from": "2026-07-01", "photo": "not a hash"}, "photo"),
    ],
)
def test_a_correction_that_cannot_be_is_refused_by_its_field(
    small_kitchen: Kitchen, changes: dict[str, Any], field: str
) -> None:
    lot = small_kitchen.a_lot()["code"]
    answer = small_kitchen.commissary.post(f"/lots/{lot}/corrections", WHY | changes)
    assert answer.status_code == 422, answer.text
    assert answer.json()["errors"][0]["field"] == field
    assert small_kitchen.keeper.shown(f"/lots/{lot}/provenance")["corrections"] == []


day = st.one_of(st.none(), st.dates(date(2026, 1, 1), date(2026, 12, 31)))
written = st.builds(Days, day, day, day)


@given(written, written)
def test_only_a_correction_to_an_earlier_day_or_of_an_unknown_one_passes(
    before: Days, after: Days
) -> None:
    (found,) = age_findings(before, after)
    younger = bool(before.age_from and after.age_from and after.age_from > before.age_from)
    assert (found.outcome == "block") == younger


# Cartons that nobody can read


def unlabelled(by: Person, may_be: list[str], **more: Any) -> Any:
    body = {
        "product": "HER-BLOCK-10",
        "place": "FZ1",
        "may_be": may_be,
        "cartons": 1,
        "core_temperatures": ["-20 °C", "-20 °C", "-20 °C"],
        "reason": "the label came off in the wet",
        **more,
    }
    return by.made("/unlabelled-cartons", body)


def test_a_carton_of_one_of_two_lots_is_as_old_as_the_older(kitchen: Kitchen) -> None:
    older = kitchen.a_lot(caught="2026-07-01", best_before="2027-03-01")["code"]
    newer = kitchen.a_lot(caught="2026-08-01", best_before="2027-01-01")["code"]
    carton = unlabelled(kitchen.commissary, [newer, older])
    assert (carton["status"], carton["age_from"]) == ("accepted", "2026-07-01")
    assert carton["mass"]["g"] == 10_000
    shown = kitchen.keeper.shown(f"/lots/{carton['code']}/provenance")
    assert (shown["may_be"], shown["best_before"]) == ([older, newer], "2027-01-01")
    # nobody delivered it twice: the count of the lot it is of will miss it
    assert kitchen.balance()["count_difference"] == -10_000
    assert sum(kitchen.balance().values()) == 0


def test_it_is_as_worn_as_the_worst_of_them(kitchen: Kitchen) -> None:
    warm = kitchen.a_lot(caught="2026-08-01", place="FZ2")["code"]
    cold = kitchen.a_lot(caught="2026-08-01", place="FZ1")["code"]
    since = START - timedelta(days=20)
    kitchen.temperatures("FZ2-AIR", since, [-12.0] * 481)
    kitchen.temperatures("FZ1-AIR", since, [-25.0] * 481)
    carton = unlabelled(kitchen.commissary, [cold, warm])["code"]

    def used(lot: str) -> float:
        return float(kitchen.keeper.shown(f"/lots/{lot}/quality")["life"]["used"])

    assert used(carton) == pytest.approx(used(warm), rel=1e-3)
    assert used(carton) > used(cold) + 0.1


def test_a_hold_on_any_of_them_holds_it_too(kitchen: Kitchen) -> None:
    one, two = (kitchen.a_lot(caught="2026-08-01")["code"] for _ in range(2))
    carton = unlabelled(kitchen.commissary, [one, two])["code"]
    assert kitchen.keeper.shown(f"/lots/{carton}")["status"] == "accepted"
    kitchen.vet.made(f"/lots/{two}/holds", {"reason": "supplier recall"})
    shown = kitchen.keeper.shown(f"/lots/{carton}")
    assert shown["status"] == "held"
    assert two in shown["holds"][0]["reason"]


def test_a_recall_finds_and_holds_it_once(kitchen: Kitchen) -> None:
    one = kitchen.a_lot(caught="2026-08-01", supplier_lot="A77")["code"]
    two = kitchen.a_lot(caught="2026-08-01", supplier_lot="B12")["code"]
    carton = unlabelled(kitchen.commissary, [one, two])["code"]
    found = kitchen.vet.shown("/recall", params={"supplier_lot": "a-77"})
    assert [lot["lot"] for lot in found["exact"]] == [one]
    assert [lot["lot"] for lot in found["may_be_of"]] == [carton]
    order = {"supplier_lot": "A77", "reason": "the supplier recalls it"}
    kitchen.vet.made("/recall/holds", order)
    assert len(kitchen.keeper.shown(f"/lots/{carton}")["holds"]) == 1
    assert kitchen.keeper.shown(f"/lots/{two}")["status"] == "accepted"


def test_a_lot_whose_code_was_corrected_is_found_by_the_old_one_too(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot(supplier_lot="A77")["code"]
    corrected(kitchen, lot, supplier_lot="B12")
    for code, kind in (("B 12", "exact"), ("a-77", "look_alikes")):
        found = kitchen.vet.shown("/recall", params={"supplier_lot": code})
        assert [each["lot"] for each in found[kind]] == [lot]
    other = kitchen.vet.shown("/recall", params={"supplier_lot": "A78"})
    assert other["look_alikes"] == []


def test_a_carton_that_may_be_of_a_held_lot_is_held_from_the_start(kitchen: Kitchen) -> None:
    one, two = (kitchen.a_lot(caught="2026-08-01")["code"] for _ in range(2))
    kitchen.vet.made(f"/lots/{two}/holds", {"reason": "supplier recall"})
    assert unlabelled(kitchen.commissary, [one, two])["status"] == "held"


def test_a_carton_of_no_plausible_lot_is_held(kitchen: Kitchen) -> None:
    carton = unlabelled(kitchen.commissary, [])
    assert (carton["status"], carton["age_from"], carton["may_be"]) == ("held", None, [])
    rules = {f["rule"] for f in carton["findings"] if f["outcome"] == "block"}
    assert rules == {"unreadable-label", "catch-date-missing"}


def test_a_lot_of_unknown_age_among_them_makes_it_unknown(kitchen: Kitchen) -> None:
    known, unknown = kitchen.a_lot()["code"], kitchen.a_lot(caught=None)["code"]
    assert unlabelled(kitchen.commissary, [known, unknown])["age_from"] is None


@pytest.mark.parametrize(
    ("more", "field"),
    [
        ({"cartons": None}, "body"),
        ({"may_be": ["NO-SUCH-LOT"]}, "may_be.0"),
        ({"cartons": 0}, "cartons"),
        ({"cartons": 10_000, "mass": "1 kg"}, "cartons"),
    ],
)
def test_a_carton_that_cannot_be_is_refused_by_its_field(
    small_kitchen: Kitchen, more: dict[str, Any], field: str
) -> None:
    body = {
        "product": "HER-BLOCK-10",
        "place": "FZ1",
        "may_be": [],
        "cartons": 1,
        "reason": "the label came off",
        **more,
    }
    answer = small_kitchen.commissary.post("/unlabelled-cartons", body)
    assert answer.status_code in (404, 422), answer.text
    assert answer.json()["errors"][0]["field"] == field
    assert small_kitchen.keeper.shown("/lots")["items"] == []


def test_fish_of_another_species_is_no_candidate(small_kitchen: Kitchen) -> None:
    capelin = small_kitchen.a_lot("CAP")["code"]
    body = {
        "product": "HER-BLOCK-10",
        "place": "FZ1",
        "may_be": [capelin],
        "cartons": 1,
        "reason": "the label came off",
    }
    answer = small_kitchen.commissary.post("/unlabelled-cartons", body)
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (422, "may_be.0")


@given(st.lists(written, min_size=1, max_size=5))
def test_what_it_is_taken_to_be_is_never_younger_than_any_that_it_may_be(every: list[Days]) -> None:
    candidates = [Candidate("L", days, None, barred=False) for days in every]
    taken = taken_as(candidates).days.age_from
    ages = [days.age_from for days in every]
    known = [age for age in ages if age is not None]
    assert taken == (min(known) if len(known) == len(ages) else None)
