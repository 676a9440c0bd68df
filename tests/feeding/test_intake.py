"""The intake record: steps of the calendar, energy, nutrients, tables."""

from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.feeding.rules import Grain, Portion, share_of, step_of
from service.feeding.schemas import IntakeOut
from tests.kitchen import START, Kitchen


def fed(kitchen: Kitchen, batch: str, eaten: str, **more: Any) -> Any:
    item = {"thaw_batch": batch, "offered": eaten, "eaten": eaten}
    return kitchen.keeper.made("/feeds", {"animal": "BRINE", "items": [item], **more})


def fed_over_weeks(kitchen: Kitchen) -> None:
    """1 kg of capelin on each of Wednesday, Thursday, next Monday and Wednesday of December."""
    lot = kitchen.a_lot("CAP")["code"]
    for days in (0, 1, 5, 7):
        kitchen.clock.at = START + timedelta(days=days)
        fed(kitchen, kitchen.pulled(lot, "1 kg")["code"], "1 kg")


def test_what_was_eaten_is_summed_by_weeks_and_months_of_the_calendar(kitchen: Kitchen) -> None:
    fed_over_weeks(kitchen)
    asked = "/animals/BRINE/intake?from=2026-11-25&to=2026-12-31&by="
    weeks = kitchen.keeper.shown(asked + "week")["days"]
    assert [(w["day"], w["until"], w["eaten"]["g"]) for w in weeks] == [
        ("2026-11-25", "2026-11-29", 2000),  # asked for from Wednesday on
        ("2026-11-30", "2026-12-06", 2000),
    ]
    months = kitchen.keeper.shown(asked + "month")["days"]
    assert [(m["day"], m["until"], m["feeds"], m["eaten"]["g"]) for m in months] == [
        ("2026-11-25", "2026-11-30", 3, 3000),
        ("2026-12-01", "2026-12-31", 1, 1000),
    ]


def test_energy_is_of_the_species_until_the_lot_is_assayed(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    batch = kitchen.pulled(lot, "5 kg")["code"]
    fed(kitchen, batch, "2 kg")
    record = kitchen.keeper.shown("/animals/BRINE/intake")
    # Capelin measured whole: 912 kcal/kg (Ridgway et al.).
    assert record["energy_kcal"] == record["days"][0]["energy_kcal"] == 1824.0
    values = [
        {"nutrient": "PROCNT", "amount": 14.0, "unit": "g/100g"},
        {"nutrient": "FAT", "amount": 8.0, "unit": "g/100g"},
    ]
    assay = {"sampled_on": "2026-11-03", "laboratory": "Lab", "values": values}
    kitchen.commissary.made(f"/lots/{lot}/assays", assay)
    record = kitchen.keeper.shown("/animals/BRINE/intake")
    # By hand, factors of the USDA food description file for fish, 4.27 and 9.02 kcal/g:
    # 14 × 4.27 + 8 × 9.02 = 131.94 kcal/100 g, and 2 kg of it.
    assert record["energy_kcal"] == pytest.approx(2638.8, abs=0.05)
    amounts = {n["nutrient"]: (n["amount"], n["unit"]) for n in record["nutrients"]}
    assert amounts["FAT"] == (160.0, "g") and amounts["PROCNT"] == (280.0, "g")


def test_what_is_lost_in_store_is_not_claimed_and_what_nobody_knows_is_said(
    kitchen: Kitchen,
) -> None:
    batch = kitchen.pulled(kitchen.a_lot("CAP")["code"], "5 kg")["code"]
    fed(kitchen, batch, "2 kg")
    record = kitchen.keeper.shown("/animals/BRINE/intake")
    tags = {n["nutrient"] for n in record["nutrients"]}
    assert not tags & {"THIA", "VITE", "VITA", "F20D5N3"}
    assert all(0 <= n["not_known"]["g"] < 2000 for n in record["nutrients"])
    assert any("Vitamins" in caution for caution in record["cautions"])


def test_the_record_is_answered_as_its_model_says_and_as_a_table(kitchen: Kitchen) -> None:
    fed_over_weeks(kitchen)
    answer = kitchen.keeper.get("/animals/brine/intake")
    assert IntakeOut.model_validate_json(answer.content).animal == "BRINE"
    table = kitchen.keeper.get("/animals/BRINE/intake", headers={"Accept": "text/csv"})
    header, *rows = table.text.splitlines()
    assert header.startswith("day,until,feeds,") and "eaten.g" in header.split(",")
    assert [row.split(",")[0] for row in rows] == [
        "2026-11-25",
        "2026-11-26",
        "2026-11-30",
        "2026-12-02",
    ]


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        ("from=2026-12-01&to=2026-11-01", "to"),
        ("from=2020-01-01&to=2026-11-01", "from"),
        ("from=1990-01-01&to=2026-11-01&by=week", "from"),
    ],
)
def test_a_record_that_is_too_long_or_backwards_is_refused(
    small_kitchen: Kitchen, asked: str, field: str
) -> None:
    answer = small_kitchen.keeper.get(f"/animals/BRINE/intake?{asked}")
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["field"] == field


def test_ten_years_by_month_are_one_answer(small_kitchen: Kitchen) -> None:
    path = "/animals/BRINE/intake?from=2017-01-01&to=2026-12-31&by=month"
    assert small_kitchen.keeper.shown(path)["days"] == []


@given(st.dates(date(1950, 1, 1), date(2150, 1, 1)), st.sampled_from(list(Grain)))
def test_every_day_is_in_its_step_and_steps_follow_one_another(day: date, grain: Grain) -> None:
    first, last = step_of(day, grain)
    assert first <= day <= last
    assert step_of(last + timedelta(days=1), grain)[0] == last + timedelta(days=1)
    assert step_of(first, grain) == step_of(last, grain) == (first, last)


@given(
    st.tuples(*[st.integers(0, 10**7)] * 4).filter(lambda grams: sum(grams) > 0),
    st.integers(1, 400),
)
def test_shares_of_a_group_add_up_to_the_gram(grams: tuple[int, ...], parts: int) -> None:
    whole = Portion(sum(grams), *grams)
    shares = [share_of(whole, number, parts) for number in range(parts)]
    for name in ("offered_g", "eaten_g", "left_g", "cold_g", "lost_g"):
        assert sum(getattr(one, name) for one in shares) == getattr(whole, name)
    assert max(one.eaten_g for one in shares) - min(one.eaten_g for one in shares) <= 1
