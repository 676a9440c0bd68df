"""What lots still hold: many at once, by assays and their days, and what of it may count."""

from datetime import UTC, datetime
from typing import Any

import pytest
from sqlmodel import select

from service.lots.models import Lot
from service.quality.queries.content import contents_of, usual_contents_of
from service.quality.rules import Held
from service.site import queries as sites
from tests.architecture.test_statements import counted
from tests.kitchen import Kitchen

ARRIVED = datetime(2026, 11, 1, tzinfo=UTC)
VITAMIN_E = {"nutrient": "VITE", "amount": 20, "unit": "IU/kg"}


def lot_of(kitchen: Kitchen, species: str = "HER", **more: Any) -> str:
    """A lot that has lain at exactly -18 °C since it came."""
    body = {"caught": "2026-10-01", "arrived": "2026-11-01T00:00:00Z"} | more
    code: str = kitchen.a_lot(species, **body)["code"]
    return code


def cold(kitchen: Kitchen, celsius: float = -18.0, probe: str = "FZ1-AIR", days: int = 24) -> None:
    kitchen.temperatures(probe, ARRIVED, [celsius] * (24 * days + 1))


def assayed(kitchen: Kitchen, lot: str, *values: Any, **more: Any) -> Any:
    body = {"sampled_on": "2026-11-10", "laboratory": "Harbour", "values": list(values)}
    return kitchen.nutritionist.made(f"/lots/{lot}/assays", body | more)


def held(kitchen: Kitchen, *codes: str, **more: Any) -> dict[str, dict[str, Held]]:
    """What lots hold, by code, as plans reckon with it."""
    with kitchen.looking() as session:
        lots = session.exec(select(Lot).where(Lot.code.in_(codes))).all()  # type: ignore[attr-defined]
        view = sites.view(session, lots[0].site_id, at=kitchen.clock())
        found = contents_of(session, view, lots, at=kitchen.clock(), **more)
        return {lot.code: found[lot.id or 0] for lot in lots}


def one(kitchen: Kitchen, lot: str, tag: str, **more: Any) -> Held:
    return held(kitchen, lot, **more)[lot][tag]


def shown(kitchen: Kitchen, lot: str, tag: str) -> Any:
    rows = kitchen.keeper.shown(f"/lots/{lot}/quality")["nutrients"]
    return next(row for row in rows if row["nutrient"] == tag)


def test_many_lots_at_once_hold_what_each_one_s_quality_shows(kitchen: Kitchen) -> None:
    cold(kitchen)
    cold(kitchen, -24.0, "FZ2-AIR")
    lots = [lot_of(kitchen), lot_of(kitchen, "CAP", place="FZ2", mass="120 kg")]
    assayed(kitchen, lots[0], VITAMIN_E)
    for code, by_tag in held(kitchen, *lots).items():
        rows = kitchen.keeper.shown(f"/lots/{code}/quality")["nutrients"]
        assert [row["nutrient"] for row in rows] == list(by_tag)
        for row in rows:
            found = by_tag[row["nutrient"]]
            assert row["amount"] == pytest.approx(found.value, rel=1e-3)
            assert row["range"] == pytest.approx([found.low, found.high], rel=1e-3)
            assert row["credited"] == pytest.approx(found.credited, rel=1e-3)
            assert row["note"] == found.why_no_credit
            assert row["steps"] == list(found.steps)


def test_the_number_of_statements_does_not_grow_with_the_lots(kitchen: Kitchen) -> None:
    cold(kitchen)
    lots = []
    for month in range(1, 9):
        lots.append(lot_of(kitchen, caught=f"2026-0{month}-01"))
        assayed(kitchen, lots[-1], VITAMIN_E, sampled_on=f"2026-11-1{month}")
    held(kitchen, *lots)
    with counted(kitchen) as few:
        held(kitchen, lots[0])
    with counted(kitchen) as many:
        held(kitchen, *lots)
    assert len(many) <= len(few)


def test_what_counts_is_nothing_for_thiamine_and_vitamin_e_unless_the_site_says_so(
    kitchen: Kitchen,
) -> None:
    herring, capelin = lot_of(kitchen), lot_of(kitchen, "CAP", mass="120 kg")
    assayed(kitchen, herring, VITAMIN_E, {"nutrient": "VITA", "amount": 900, "unit": "IU/kg"})
    for tag in ("THIA", "VITE"):
        found = one(kitchen, herring, tag)
        assert found.value > 0 and found.credited == (0, 0) and found.why_no_credit
    found = one(kitchen, herring, "VITA")
    assert found.credited == (found.low, found.high) and found.why_no_credit is None
    body = {"changes": {"credit_thiamine_and_vitamin_e": True}, "reason": "our own assays"}
    assert kitchen.manager.put("/sites/main/policy", body).status_code in (200, 201)
    found = one(kitchen, herring, "VITE")
    assert found.credited == (found.low, found.high)
    assert one(kitchen, herring, "THIA").credited == (0, 0), "herring has thiaminase"
    assert "thiaminase present (species)" in (one(kitchen, herring, "THIA").why_no_credit or "")
    assert capelin


@pytest.mark.parametrize(
    ("answers", "portion", "credited"),
    [
        (["absent", "absent"], "whole", True),
        (["<0.5"], "whole", True),
        (["<20"], "whole", False),
        (["absent", "2.5"], "whole", False),
        (["absent"], "fillet", False),
    ],
)
def test_a_laboratory_may_show_that_a_lot_has_no_thiaminase(
    small_kitchen: Kitchen, answers: list[str], portion: str, credited: bool
) -> None:
    body = {"changes": {"credit_thiamine_and_vitamin_e": True}, "reason": "our own assays"}
    small_kitchen.manager.put("/sites/main/policy", body)
    lot = lot_of(small_kitchen)
    made = assayed(
        small_kitchen, lot, tests=[{"test": "thiaminase", "values": answers}], portion=portion
    )
    assert made["tests"][0]["verdict"] is None and made["findings"] == []
    found = one(small_kitchen, lot, "THIA")
    assert (found.credited[1] > 0) == credited
    if credited:
        small_kitchen.nutritionist.made(
            f"/assays/{made['id']}/withdrawal", {"reason": "another lot's sample"}
        )
        assert one(small_kitchen, lot, "THIA").credited == (0, 0)


def test_thiaminase_once_found_is_not_cleared_by_a_later_sample(small_kitchen: Kitchen) -> None:
    body = {"changes": {"credit_thiamine_and_vitamin_e": True}, "reason": "our own assays"}
    small_kitchen.manager.put("/sites/main/policy", body)
    lot = lot_of(small_kitchen)
    for day, answer in (("2026-11-10", "present"), ("2026-11-12", "absent")):
        tests = [{"test": "thiaminase", "values": [answer]}]
        assayed(small_kitchen, lot, sampled_on=day, tests=tests)
    found = one(small_kitchen, lot, "THIA")
    assert found.credited == (0, 0)
    assert "assay of 2026-11-10" in (found.why_no_credit or "")


def test_an_older_result_of_whole_fish_counts_before_a_newer_one_of_fillet(
    kitchen: Kitchen,
) -> None:
    lot = lot_of(kitchen)
    cold(kitchen)
    assayed(kitchen, lot, VITAMIN_E)
    assayed(kitchen, lot, VITAMIN_E | {"amount": 50}, sampled_on="2026-11-20", portion="fillet")
    found = one(kitchen, lot, "VITE")
    assert found.source == "assay of 2026-11-10, whole fish" and found.start.value == 20
    only_fillet = lot_of(kitchen, caught="2026-10-02")
    assayed(kitchen, only_fillet, VITAMIN_E, portion="fillet")
    wider = one(kitchen, only_fillet, "VITE")
    assert wider.value == pytest.approx(found.value)
    assert wider.low < found.low and wider.high > found.high


def test_what_was_below_a_detection_limit_may_be_nothing_or_all_of_it(kitchen: Kitchen) -> None:
    """Science reference 6.3: half the limit, from none to the limit, each as far as it is left."""
    lot = lot_of(kitchen)
    cold(kitchen)
    assayed(kitchen, lot, {"nutrient": "VITA", "below": 60, "unit": "IU/kg"})
    found = one(kitchen, lot, "VITA")
    assert found.low == 0
    assert found.value == pytest.approx(30 * found.share_left[1])
    assert found.high == pytest.approx(60 * found.share_left[2])


def test_a_withdrawn_result_neither_counts_nor_teaches(kitchen: Kitchen) -> None:
    kitchen.clock.at = datetime(2026, 12, 20, 12, tzinfo=UTC)
    cold(kitchen, days=49)
    lot = lot_of(kitchen)
    first = assayed(kitchen, lot, VITAMIN_E | {"amount": 60}, sampled_on="2026-11-05")
    last = assayed(kitchen, lot, VITAMIN_E, sampled_on="2026-12-15")
    taught = one(kitchen, lot, "VITE")
    gone = {"reason": "a digit was wrong"}
    kitchen.nutritionist.made(f"/assays/{first['id']}/withdrawal", gone)
    plain = one(kitchen, lot, "VITE")
    assert taught.rate != plain.rate and plain.rate is not None
    assert plain.rate.per_day_at_minus_18 == 0.0102
    kitchen.nutritionist.made(f"/assays/{last['id']}/withdrawal", gone)
    assert one(kitchen, lot, "VITE").source.startswith("species default")


def test_fish_in_a_warmer_freezer_never_holds_more(kitchen: Kitchen) -> None:
    cold(kitchen, -15.0)
    cold(kitchen, -28.0, "FZ2-AIR")
    warm = lot_of(kitchen)
    colder = lot_of(kitchen, caught="2026-10-01", place="FZ2", supplier_lot="B")
    found = held(kitchen, warm, colder)
    for tag, of in found[warm].items():
        other = found[colder][tag]
        assert of.low <= other.low and of.value <= other.value and of.high <= other.high
        assert of.credited[0] <= other.credited[0]


def test_water_takes_b_vitamins_along_and_only_the_low_bound_says_so(kitchen: Kitchen) -> None:
    """Science reference 6.3: 5-20 % leaches, 2-5 % drips; (1 - 0.20) (1 - 0.05) = 0.76."""
    lot = lot_of(kitchen)
    number = _id(kitchen, lot)
    dry, wet = (held(kitchen, lot, thawed_in_water={number: wet})[lot] for wet in (False, True))
    for tag in ("THIA", "RIBF", "NIA"):
        assert wet[tag].low == pytest.approx(0.76 * dry[tag].low)
        assert (wet[tag].value, wet[tag].high) == (dry[tag].value, dry[tag].high)
        assert any("thawed in water" in step for step in wet[tag].steps)
    for tag in ("VITE", "VITA", "NA", "PROCNT"):
        assert wet[tag] == dry[tag] or wet[tag].low == dry[tag].low


def test_what_is_still_frozen_counts_before_what_was_pulled_into_the_tank(
    kitchen: Kitchen,
) -> None:
    lot = lot_of(kitchen)
    cold(kitchen)
    before = one(kitchen, lot, "RIBF")
    kitchen.pulled(lot, "10 kg")
    kitchen.clock.forward(hours=6)
    after = one(kitchen, lot, "RIBF")
    assert after.low == pytest.approx(before.low, rel=1e-3) and not after.in_water
    kitchen.pulled(lot, "90 kg")
    kitchen.clock.forward(hours=1)
    assert one(kitchen, lot, "RIBF").in_water


def test_two_samples_thirty_days_apart_teach_the_rate(kitchen: Kitchen) -> None:
    """k_obs = ln(20 / 12) / 40 d = 0.01277 a day at exactly -18 °C; the prior is 0.0102."""
    kitchen.clock.at = datetime(2026, 12, 20, 12, tzinfo=UTC)
    cold(kitchen, days=49)
    lot, near = lot_of(kitchen), lot_of(kitchen, caught="2026-10-02")
    assayed(kitchen, lot, VITAMIN_E, sampled_on="2026-11-05")
    assayed(kitchen, lot, VITAMIN_E | {"amount": 12}, sampled_on="2026-12-15")
    assayed(kitchen, near, VITAMIN_E, sampled_on="2026-11-20")
    assayed(kitchen, near, VITAMIN_E | {"amount": 12}, sampled_on="2026-12-15")
    learned, prior = one(kitchen, lot, "VITE").rate, one(kitchen, near, "VITE").rate
    assert learned is not None and prior is not None
    assert prior.per_day_at_minus_18 == 0.0102, "25 days are too few"
    assert 0.0102 < learned.per_day_at_minus_18 < 0.01277
    assert learned.geometric_sd < prior.geometric_sd


def test_fish_of_which_no_lot_is_there_may_have_been_stored_for_a_year_or_not_at_all(
    kitchen: Kitchen,
) -> None:
    with kitchen.looking() as session:
        view = sites.view(session, 1, at=kitchen.clock())
        found = usual_contents_of(view, ["HER", "CAP", "HER"])
    assert set(found) == {"HER", "CAP"}
    e = found["HER"]["VITE"]
    assert e.source.startswith("species default: ") and e.sampled_on is None
    assert e.share_left[0] < 0.01 and e.share_left[2] == 1
    assert e.credited == (0, 0)
    assert found["HER"]["PROCNT"].share_left == (1, 1, 1), "protein is not lost"
    assert "VITC" not in found["HER"], "what nobody knows is missing, not zero"


def test_frozen_fish_of_which_nobody_knows_the_day_may_be_a_year_old(kitchen: Kitchen) -> None:
    known = one(kitchen, lot_of(kitchen), "VITA")
    unknown = one(kitchen, lot_of(kitchen, caught=None, best_before="2027-10-01"), "VITA")
    assert unknown.days[2] > known.days[2] + 300
    assert unknown.low < known.low


def test_a_sample_of_this_very_morning_has_lost_nothing_yet(kitchen: Kitchen) -> None:
    lot = lot_of(kitchen)
    assayed(kitchen, lot, VITAMIN_E, sampled_on="2026-11-25")  # asked at six, counted from noon
    assert one(kitchen, lot, "VITE").days == (0, 0, 0)
    shown = kitchen.keeper.shown(f"/lots/{lot}/nutrients/VITE/over-time?days=1")
    assert shown["items"][0]["amount"] == 20


def test_before_a_lot_has_come_there_is_only_what_was_before(kitchen: Kitchen) -> None:
    lot = lot_of(kitchen)
    kitchen.clock.at = datetime(2026, 10, 25, tzinfo=UTC)
    found = one(kitchen, lot, "VITE")
    assert found.days[0] <= found.days[1] <= found.days[2]


def test_vitamin_c_never_counts(kitchen: Kitchen) -> None:
    lot = lot_of(kitchen)
    assayed(kitchen, lot, {"nutrient": "VITC", "amount": 10, "unit": "mg/kg"})
    found = one(kitchen, lot, "VITC")
    assert (found.value, found.low, found.credited) == (10, 0, (0, 0))


def test_the_steps_of_a_figure_name_its_sample_its_days_and_its_rate(kitchen: Kitchen) -> None:
    lot = lot_of(kitchen)
    cold(kitchen)
    assayed(kitchen, lot, VITAMIN_E)
    kitchen.clock.at = datetime(2026, 11, 20, 12, tzinfo=UTC)
    steps = one(kitchen, lot, "VITE").steps
    assert steps[0] == "assay of 2026-11-10, whole fish since 2026-11-10"
    assert steps[1] == "20 IU/kg at first, 10-90 % × ÷ 1.21"
    assert steps[2].startswith("as much lost as in 10 (10 to 10) days at -18 °C, 1.02 % a day")
    assert "90.3 % is left" in steps[2]
    assert "policy" in steps[3]


def _id(kitchen: Kitchen, code: str) -> int:
    with kitchen.looking() as session:
        return session.exec(select(Lot.id).where(Lot.code == code)).one() or 0
