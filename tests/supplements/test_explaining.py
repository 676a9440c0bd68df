"""Plans explain themselves: every number follows from those that it is said to be of."""

from collections.abc import Mapping
from copy import deepcopy
from datetime import date
from math import isclose, prod
from types import SimpleNamespace
from typing import Any, cast

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.animals.models import Animal
from service.catalogue.rules import Basis, nutrients
from service.quality.rules.content import usual_contents
from service.supplements.actions.working import Facts, work_out_by
from service.supplements.actions.writing import document_of
from service.supplements.queries.food import Fed
from service.supplements.rules import LimitOn, Mode, Per, PlanBasis, Scope
from service.supplements.rules.explaining import Explained, explain
from service.supplements.rules.needs import Food
from service.supplements.rules.products import Product
from service.supplements.rules.requirements import Wanted
from service.supplements.rules.steps import How, Step, in_words, said
from tests.kitchen import Kitchen
from tests.supplements.test_plans import fed, lines, planned, require, tablet

__all__ = ["fed"]

DAY = date(2026, 11, 25)
TAGS = ("THIA", "VITE", "VITA", "RIBF", "NACL", "NA", "CA")
SPECIES = ("HER", "CAP", "MAC", "WHG", "SPR")


def closely(value: float, shown: float, *operands: float) -> bool:
    """Equal as far as six stored figures of each operand let one tell."""
    size = max(map(abs, (value, shown, *operands)))
    return isclose(value, shown, rel_tol=1e-12, abs_tol=3e-5 * size)


def recomputed(step: Step, figures: Mapping[str, Step]) -> float:
    """What a step comes to by what it is of; every step below is checked on the way."""
    parts = [recomputed(each, figures) for each in step.of]
    match step.how:
        case How.STATED:
            value = step.value
        case How.FIGURE:
            value = figures[step.figure or ""].value
        case How.TIMES:
            value = prod(parts)
        case How.PLUS:
            value = sum(parts)
        case How.LESS:
            value = max(0.0, parts[0] - sum(parts[1:]))
        case How.LEAST:
            value = min(parts)
    assert closely(value, step.value, *parts), (step.words, value, step.value)
    assert bool(step.of) == (step.how not in (How.STATED, How.FIGURE)) or not step.value
    if step.how is not How.FIGURE and step.value:
        assert said(step.value) in step.words or said(100 * step.value) in step.words, step
    return step.value


def shown_figures(line: Mapping[str, Any]) -> dict[str, float]:
    """The figures of a plan's line as the plan itself shows them, by the explanation's names."""
    found = {name: line[name] for name in ("required", "credit", "add", "given")}
    if line["room"] is not None:
        found["room"] = line["room"]
    if line["in_fish"] is not None:
        held = line["in_fish"]
        found |= {"in_fish_low": held["low"], "in_fish": held["value"]}
        found |= {"in_fish_high": held["high"]}
        bounds = [bound for bound in ("low", "high") if line["total"][bound] is not None]
        found |= {f"total_{bound}": line["total"][bound] for bound in bounds}
    return found


def check(plan: Mapping[str, Any]) -> tuple[Explained, ...]:
    """Steps lead to every figure that the plan shows, and every step adds up."""
    explained = explain(plan).lines
    for line, each in zip(plan["lines"], explained, strict=True):
        for name, value in shown_figures(line).items():
            operands = [part.value for part in each.figures[name].of]
            assert closely(each.figures[name].value, value, *operands), (line["nutrient"], name)
        for step in (*each.figures.values(), *each.asks_for_less):
            recomputed(step, each.figures)
    return explained


# --- invented days, planned by the real rules

amounts = st.floats(0.1, 5000).map(lambda x: float(f"{x:.4g}"))


@st.composite
def wanted(draw: st.DrawFn) -> Wanted:
    per = draw(st.sampled_from(list(Per)))
    of_food = per is Per.KG_FOOD
    return Wanted(
        nutrient=draw(st.sampled_from(TAGS)),
        amount=draw(amounts),
        basis=draw(st.sampled_from(list(Basis))) if of_food else Basis.AS_FED,
        mode=draw(st.sampled_from(list(Mode))),
        per=per,
        scope=draw(st.sampled_from([Scope.SITE, Scope.GROUP, Scope.ANIMAL])),
        source=draw(st.sampled_from(["set by the site", "Geraci 1972 [R]", "a sheet [M-l]"])),
        cap_per_day=draw(st.none() | amounts),
        limit=draw(st.none() | amounts),
        limit_on=draw(st.sampled_from(list(LimitOn))),
        species=draw(st.none() | st.sampled_from(SPECIES)) if of_food else None,
    )


def numbered(found: list[Wanted]) -> list[Wanted]:
    kept = {(w.kind, w.species, w.scope): w for w in found}.values()
    return [Wanted(**{**vars(w), "number": n}) for n, w in enumerate(kept, start=1)]


@st.composite
def food(draw: st.DrawFn) -> list[Food]:
    species = draw(st.lists(st.sampled_from(SPECIES), unique=True, max_size=4))
    may_credit = draw(st.booleans())
    return [
        Food(
            code,
            draw(st.integers(1, 20_000)),
            draw(st.floats(0.5, 0.9)),
            usual_contents(code, may_credit=may_credit),
            draw(st.sampled_from([None, f"{code}-261102-AA3"])),
        )
        for code in species
    ]


@st.composite
def product(draw: st.DrawFn) -> Product:
    form, smallest = draw(
        st.sampled_from([("tablet", 1.0), ("tablet", 0.5), ("capsule", 1.0), ("powder", 0.1)])
    )
    contents = draw(st.dictionaries(st.sampled_from(TAGS), amounts, min_size=1, max_size=3))
    code = f"{form[0]}{'-'.join(f'{n}{a:g}' for n, a in contents.items())}/{smallest}"
    return Product(
        code, f"the {code}", form, smallest, contents, batch=draw(st.none() | st.just("B1"))
    )


def a_plan(required: list[Wanted], of: list[Food], products: list[Product]) -> dict[str, Any]:
    """What would be stored: the real rules on these facts."""
    one = Animal(
        id=1,
        site_id=1,
        code="BRINE",
        name="Brine",
        taxon="Callorhinus ursinus",
        group_name="pinniped",
        sex="female",
    )
    policy = SimpleNamespace(credit_thiamine_and_vitamin_e=True)
    view = cast(Any, SimpleNamespace(policy=policy, policy_version=3))
    offers = {p.code: p for p in products}
    facts = Facts(lambda _: required, list(offers.values()), {1: Fed(of)}, {1: 104_000})
    (worked,) = work_out_by(facts, cast(Any, None), view, DAY, [one], PlanBasis.FEEDS).plans
    return document_of(worked, view)


@given(st.lists(wanted(), max_size=6).map(numbered), food(), st.lists(product(), max_size=4))
def test_every_figure_of_any_plan_follows_from_its_steps(
    required: list[Wanted], of: list[Food], products: list[Product]
) -> None:
    check(a_plan(required, of, products))


def test_a_figure_that_does_not_follow_is_seen() -> None:
    """The check above can fail: a requirement that is altered afterwards breaks the chain."""
    plan = a_plan([], [Food("HER", 5000, 0.7, usual_contents("HER", may_credit=False))], [])
    check(plan)
    for path, value in (
        (("worked_from", "requirements", 0, "amount"), 26),
        (("worked_from", "food", 0, "grams"), 5010),
        (("lines", 0, "add"), 126),
        (("lines", 0, "total", "high"), 1e6),
    ):
        altered: Any = deepcopy(plan)
        part = altered
        for step in path[:-1]:
            part = part[step]
        part[path[-1]] = value
        with pytest.raises(AssertionError):
            check(altered)


# --- the words


def all_words(step: Step) -> str:
    notes = " ".join((*step.notes, step.source or "", step.flag or ""))
    return " ".join([step.words, notes, *(all_words(each) for each in step.of)])


def test_the_words_say_the_arithmetic_the_source_and_how_sure_it_is() -> None:
    """By hand: 25 mg/kg (Geraci 1972, read) × 5 kg = 125 mg; two tablets of 100 mg are 200 mg,
    75 mg more than needed, and one would be less than is needed."""
    tablet_ = Product("B1-100", "thiamine 100 mg", "tablet", 1.0, {"THIA": 100.0}, batch="T7")
    own = [
        Wanted("THIA", 25, Basis.AS_FED, Mode.TOTAL, Per.KG_FOOD, Scope.GROUP, "Geraci 1972 [R]",
               number=3, cap_per_day=150),
        Wanted("THIA", 10, Basis.AS_FED, Mode.TOTAL, Per.KG_FOOD, Scope.SITE, "ours", number=1),
    ]  # fmt: skip
    her = Food("HER", 5000, 0.72, usual_contents("HER", may_credit=False), "HER-1")
    plan = a_plan(own, [her], [tablet_])
    thiamine = next(each for each in check(plan) if each.nutrient == "THIA")
    figures = {name: all_words(step) for name, step in thiamine.figures.items()}
    assert "25 mg for each kilogram of food as fed × 5 kg = 125 mg" in figures["required"]
    assert "requirement no. 3, set for the group Geraci 1972 read" in figures["required"]
    assert "below its cap of 150 mg a day" in figures["required"]
    assert "credit 0: HER may carry thiaminase" in figures["credit"]
    assert "2 pieces of B1-100 × 100 mg = 200 mg" in figures["given"]
    assert "the strength of batch T7" in figures["given"]
    assert figures["over"].startswith("75 mg more than needed")
    assert "1 piece of B1-100 × 100 mg = 100 mg: less than the 125 mg" in figures["one_less"]
    assert thiamine.does_not_count[0].startswith("requirement no. 1, set for the site, asks for 10")
    assert "herring (HER), lot HER-1, holds about" in figures["in_fish"]
    assert "species default" in figures["in_fish"]
    placed = explain(plan).placed[0]
    assert any("may carry thiaminase" in words for words in placed.words)


@pytest.mark.parametrize(
    ("source", "shown"),
    [
        ("Geraci 1972 [R]", ("Geraci 1972", "read")),
        ("a paper [R2]", ("a paper", "quoted")),
        ("a sheet [M-l]", ("a sheet", "from memory, confidence low")),
        ("our sum [D]", ("our sum", "derived, ours")),
        ("[R]", ("[R]", None)),
        ("set by the site [2026]", ("set by the site [2026]", None)),
    ],
)
def test_flags_are_told_in_words(source: str, shown: tuple[str, str | None]) -> None:
    assert in_words(source) == shown


# --- through the door


def explained(kitchen: Kitchen, plan: Any) -> Any:
    return kitchen.keeper.shown(f"/supplement-plans/{plan['id']}/explanation")


def test_a_plan_opens_into_steps(fed: Kitchen) -> None:
    plan = planned(fed)
    shown = explained(fed, plan)
    (thiamine,) = [each for each in shown["lines"] if each["nutrient"] == "THIA"]
    required = thiamine["figures"]["required"]
    assert (required["value"], required["how"]) == (125, "times")
    amount, mass = required["of"]
    assert (amount["source"], amount["flag"], mass["value"]) == (
        "Geraci 1972, Can J Zool 50:179",
        "read",
        5,
    )
    assert shown["cautions"] == plan["cautions"]
    assert [p["product"] for p in shown["placed"]] == ["B1-100", "E-400"]


def test_a_signed_plan_explains_itself_from_what_it_was_signed_on(fed: Kitchen) -> None:
    plan = planned(fed)
    fed.vet.made(f"/supplement-plans/{plan['id']}/sign-off", {})
    before = explained(fed, plan)
    require(fed, "THIA", 99, "mg")
    tablet(fed, "B1-250", {"THIA": (250, "mg")})
    fed.a_lot()
    fed.keeper.made("/animals/BRINE/weights", {"mass": "180 kg"})
    assert explained(fed, plan) == before
    assert before["signed_by"] == "vet"
    assert explained(fed, planned(fed))["lines"] != before["lines"]


def test_what_stays_short_and_what_would_be_possible_is_told(fed: Kitchen) -> None:
    require(fed, "THIA", 25, "mg", limit=150, limit_on="added")
    remarks = explained(fed, planned(fed))["remarks"]
    assert any(r.startswith("THIA stays 25 mg short") for r in remarks)


def test_a_plan_from_before_steps_were_kept_shows_its_figures(fed: Kitchen) -> None:
    plan = planned(fed)
    old = {name: value for name, value in plan.items() if name != "worked_from"}
    found = explain(old)
    assert {e.nutrient for e in found.lines} == set(lines(plan))
    assert (
        found.lines[0].figures["required"].value == lines(plan)[found.lines[0].nutrient]["required"]
    )
    assert "before the steps were kept" in found.remarks[-1]


def test_only_who_may_look_sees_it(fed: Kitchen) -> None:
    plan = planned(fed)
    address = f"/supplement-plans/{plan['id']}/explanation"
    assert fed.stranger.get(address).status_code == 401
    assert fed.keeper.get("/supplement-plans/9999/explanation").status_code == 404


def test_every_nutrient_has_a_unit_that_masses_can_be_told_in() -> None:
    """A content is of 100 g or of 1 kg: explanations know no other."""
    assert {n.unit.split("/")[-1] for n in nutrients().values()} == {"100g", "kg"}


# --- plans as a list


def test_plans_are_listed_newest_first_and_as_a_table(fed: Kitchen) -> None:
    ids = [planned(fed, day=f"2026-11-{day}")["id"] for day in (25, 26, 27)]
    fed.vet.made(f"/supplement-plans/{ids[0]}/sign-off", {})
    listed = fed.keeper.shown("/supplement-plans?limit=2")
    assert [each["id"] for each in listed["items"]] == [ids[2], ids[1]]
    rest = fed.keeper.shown(f"/supplement-plans?limit=2&cursor={listed['next']}")
    assert [(each["id"], each["pieces"]) for each in rest["items"]] == [
        (ids[0], "2 × B1-100; 1.5 × E-400")
    ]
    signed = fed.keeper.shown("/supplement-plans?status=signed&animal=BRINE&site=MAIN")["items"]
    assert [(each["id"], each["signed_by"]) for each in signed] == [(ids[0], "vet")]
    assert fed.keeper.shown("/supplement-plans?day=2026-11-26")["items"][0]["id"] == ids[1]
    table = fed.keeper.get("/supplement-plans", headers={"Accept": "text/csv"}).text
    assert table.splitlines()[0].startswith("id,site,animal,day,until,basis,status")
    assert len(table.splitlines()) == 4
    assert fed.keeper.get("/supplement-plans?animal=NOBODY").status_code == 404
