"""Another fish of the same energy: proposed, accepted, taken back; never silent."""

from collections.abc import Mapping
from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlmodel import Session

from service.diets.actions import settling, substituting
from service.diets.queries.kept import in_force_on
from service.diets.queries.substitutes import substitutes_for
from service.diets.rules.substituting import Wish, swaps_for
from service.diets.schemas import Substitutes
from service.security.actor import SERVICE
from service.site.queries import SiteView, view
from tests.animals.test_groups import an_animal
from tests.diets.test_need import DAY, a_diet, eaten_of, need, refusal
from tests.kitchen import Kitchen

ON = date.fromisoformat(DAY)
OR_CAPELIN = [{"species": "HER", "mass": "3 kg", "substitutes": ["CAP"]}]


def site(session: Session, kitchen: Kitchen) -> SiteView:
    return view(session, 1, at=kitchen.clock())


def proposals(kitchen: Kitchen, short: Mapping[str, int]) -> Substitutes:
    with kitchen.looking() as session:
        return substitutes_for(session, site(session, kitchen), ON, short, at=kitchen.clock())


def accepted(kitchen: Kitchen, found: Substitutes) -> None:
    with kitchen.writing() as session:
        substituting.accept(
            session,
            site(session, kitchen),
            ON,
            found.proposals,
            reason="no herring left",
            at=kitchen.clock(),
            by=SERVICE,
        )


def swap(**more: Any) -> dict[str, Any]:
    body = {"day": DAY, "animal": "BRINE", "species": "HER", "mass": "1 kg"}
    return body | {"substitute": "CAP", "reason": "no herring left"} | more


def test_a_substitute_is_proposed_at_equal_energy_and_changes_nothing_yet(
    kitchen: Kitchen,
) -> None:
    kitchen.a_lot("CAP")
    a_diet(kitchen, items=OR_CAPELIN)
    found = proposals(kitchen, {"HER": 1000})
    (one,) = found.proposals
    # USDA herring 1580, Ridgway et al. capelin 912 kcal/kg: 1580 / 912 = 1.7325.
    assert (one.animal, one.mass.g, one.substitute, one.substitute_mass.g) == (
        "BRINE",
        1000,
        "CAP",
        1732,
    )
    assert one.energy_kcal == pytest.approx(1580, abs=1)
    assert "supplements are worked out again" in one.cautions[0]
    assert need(kitchen) == {"HER": 3000}


def test_an_accepted_substitution_changes_need_portions_and_what_supplements_reckon_with(
    kitchen: Kitchen,
) -> None:
    kitchen.a_lot("CAP")
    a_diet(kitchen, items=OR_CAPELIN, feeds_per_day=3)
    accepted(kitchen, proposals(kitchen, {"HER": 1000}))
    assert need(kitchen) == {"HER": 2000, "CAP": 1732}
    assert eaten_of(kitchen, "BRINE") == {"HER": 2000, "CAP": 1732}
    assert need(kitchen, "2026-11-27") == {"HER": 3000}, "that day only"


def test_the_supplements_of_the_day_are_worked_out_from_the_other_fish(kitchen: Kitchen) -> None:
    kitchen.a_lot("CAP")
    a_diet(kitchen, items=OR_CAPELIN)
    order = {"animal": "BRINE", "day": DAY}
    before = kitchen.nutritionist.made("/supplement-plans", order)
    accepted(kitchen, proposals(kitchen, {"HER": 3000}))
    after = kitchen.nutritionist.made("/supplement-plans", order)
    (thiamine,) = [line for line in after["lines"] if line["nutrient"] == "THIA"]
    (was,) = [line for line in before["lines"] if line["nutrient"] == "THIA"]
    # Thiamine is added per kilogram of food, of which there is more: 3 x 1580 / 912 kg.
    assert thiamine["required"] / was["required"] == pytest.approx(1580 / 912, abs=0.001)


def test_those_without_a_substitute_keep_their_fish(kitchen: Kitchen) -> None:
    kitchen.a_lot("CAP")
    an_animal(kitchen, "FUSSY")
    a_diet(kitchen, items=OR_CAPELIN)
    a_diet(kitchen, "animals/FUSSY")
    found = proposals(kitchen, {"HER": 4000})
    assert [(p.animal, p.mass.g) for p in found.proposals] == [("BRINE", 3000)]
    assert [(u.species, u.mass.g) for u in found.unmet] == [("HER", 1000)]


def test_held_and_reserved_fish_is_no_substitute(kitchen: Kitchen) -> None:
    held = kitchen.a_lot("CAP", mass="12 kg")
    a_diet(kitchen, items=OR_CAPELIN)
    kitchen.commissary.made(f"/lots/{held['code']}/holds", {"reason": "supplier recall"})
    assert proposals(kitchen, {"HER": 1000}).proposals == []
    kitchen.a_lot("CAP", caught="2026-09-01", mass="1 kg", cartons=None)
    (one,) = proposals(kitchen, {"HER": 1000}).proposals
    assert one.substitute_mass.g <= 1000, "no more than there is"


def test_a_substitution_is_made_by_hand_only_with_approved_fish(kitchen: Kitchen) -> None:
    a_diet(kitchen, items=OR_CAPELIN)
    made = kitchen.keeper.made("/substitutions", swap())
    assert (made["substitute_mass"]["g"], made["energy_kcal"]) == (1732, 1579.6)
    other = kitchen.keeper.post("/substitutions", swap(substitute="MAC"))
    assert refusal(other) == (409, "not-a-substitute")
    too_much = kitchen.keeper.post("/substitutions", swap(mass="2.5 kg"))
    assert refusal(too_much) == (409, "nothing-to-substitute")
    nobody = kitchen.keeper.post("/substitutions", swap(group="COVE"))
    assert refusal(nobody) == (422, "validation")


def test_a_substitution_is_taken_back_once(kitchen: Kitchen) -> None:
    a_diet(kitchen, items=OR_CAPELIN)
    made = kitchen.keeper.made("/substitutions", swap())
    path = f"/substitutions/{made['id']}/withdrawal"
    back = kitchen.keeper.made(path, {"reason": "herring came"})
    assert back["withdrawn_by"] == "keeper"
    assert need(kitchen) == {"HER": 3000}
    again = kitchen.keeper.post(path, {"reason": "herring came"})
    assert refusal(again) == (409, "already-withdrawn")
    shown = kitchen.keeper.shown("/substitutions", params={"day": DAY})["items"]
    assert [(s["animal"], s["withdrawn_at"] is not None) for s in shown] == [("BRINE", True)]
    unknown = kitchen.keeper.post("/substitutions/99/withdrawal", {"reason": "nothing"})
    assert refusal(unknown) == (404, "unknown-substitution")


def test_a_day_that_was_planned_keeps_its_energies_when_the_lot_is_used_up(
    kitchen: Kitchen,
) -> None:
    rich = kitchen.a_lot("HER", caught="2026-08-01")
    energy = {"nutrient": "ENERC", "amount": 200, "unit": "kcal/100g"}
    assay = {"sampled_on": "2026-11-03", "laboratory": "Lab", "values": [energy]}
    kitchen.commissary.made(f"/lots/{rich['code']}/assays", assay)
    a_diet(kitchen, items=[{"species": "HER", "energy_kcal": 3160}])
    for _ in range(2):
        with kitchen.writing() as session:
            here = site(session, kitchen)
            diets = in_force_on(session, here.id, ON)
            settling.settle(session, here, ON, diets, at=kitchen.clock())
    assert need(kitchen) == {"HER": 1580}
    kitchen.commissary.made(f"/lots/{rich['code']}/holds", {"reason": "supplier recall"})
    assert need(kitchen) == {"HER": 1580}
    assert need(kitchen, "2026-11-27") == {"HER": 2000}


grams = st.integers(min_value=1, max_value=20_000)


@given(
    short=st.integers(min_value=1, max_value=50_000),
    wants=st.lists(st.tuples(grams, st.booleans()), min_size=1, max_size=6),
    capelin=st.integers(min_value=0, max_value=50_000),
    sprat=st.integers(min_value=0, max_value=50_000),
)
def test_no_gram_is_given_up_twice_and_no_more_taken_than_there_is(
    short: int, wants: list[tuple[int, bool]], capelin: int, sprat: int
) -> None:
    wishes = [
        Wish((n, None), "HER", g, ("CAP", "SPR") if able else ())
        for n, (g, able) in enumerate(wants)
    ]
    kcal = {"HER": 1580.0, "CAP": 912.0, "SPR": 2000.0}
    swaps, unmet = swaps_for({"HER": short}, wishes, {"CAP": capelin, "SPR": sprat}, kcal)
    given_up = sum(s.grams for s in swaps)
    assert given_up + unmet.get("HER", 0) == short
    for wish in wishes:
        of_this = [s for s in swaps if s.eater == wish.eater]
        assert sum(s.grams for s in of_this) <= wish.grams
        assert not of_this or wish.substitutes
    for code, there in (("CAP", capelin), ("SPR", sprat)):
        assert sum(s.substitute_g for s in swaps if s.substitute == code) <= there
    for s in swaps:
        # Equal energy to half a gram of either fish.
        assert s.grams * kcal["HER"] == pytest.approx(s.substitute_g * kcal[s.substitute], abs=2000)
