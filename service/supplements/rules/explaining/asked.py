"""What a requirement asks for, as it was stored."""

from collections.abc import Sequence

from service.catalogue.rules import Basis
from service.supplements.rules import Per, Scope
from service.supplements.rules.explaining.food import Written, dry_matter, kilograms, speaks_of
from service.supplements.rules.steps import How, Step, fish, in_words, said

_PER_WORDS = {
    (Per.KG_FOOD, Basis.AS_FED): "kilogram of food as fed",
    (Per.KG_FOOD, Basis.DRY_MATTER): "kilogram of the food's dry matter",
    (Per.ANIMAL_DAY, Basis.AS_FED): "animal and day",
    (Per.KG_BODY_MASS, Basis.AS_FED): "kilogram of body mass",
}


def part(r: Written, food: Sequence[Written], body_mass_g: int | None) -> Step:
    """What one requirement comes to, under its cap."""
    before, unit = _before_cap(r, food, body_mass_g), r["unit"]
    cap = r["cap_per_day"]
    if cap is None:
        return before
    capped = cap < r["before_cap"]
    return Step(
        f"{'capped at' if capped else 'below its cap of'} {said(cap)} {unit} a day: "
        f"{said(r['required'])} {unit}",
        r["required"],
        unit,
        How.LEAST,
        (before, Step(f"the cap: {said(cap)} {unit} a day", cap, unit)),
    )


def _before_cap(r: Written, food: Sequence[Written], body_mass_g: int | None) -> Step:
    amount, unit = _amount(r), r["unit"]
    if r["per"] == Per.ANIMAL_DAY:
        return amount
    mass = _body(body_mass_g) if r["per"] == Per.KG_BODY_MASS else _mass(r, food)
    return Step(
        f"{said(r['amount'])} {unit} for each {_PER_WORDS[r['per'], r['basis']]} "
        f"× {said(mass.value)} kg = {said(r['before_cap'])} {unit}",
        r["before_cap"],
        unit,
        How.TIMES,
        (amount, mass),
    )


def _amount(r: Written) -> Step:
    source, flag = in_words(r["source"])
    unit = r["unit"]
    per = "" if r["per"] == Per.ANIMAL_DAY else "/kg"
    words = f"{said(r['amount'])} {unit} for each {_PER_WORDS[r['per'], r['basis']]}"
    if not r["amount"]:
        words = "nothing is required: only a limit holds"
    only = f", of {fish(r['species'])} only" if r["species"] else ""
    but = ", ".join(fish(s) for s in r.get("but_for", ()))
    return Step(
        f"{words}{only}{f', but for {but}' if but else ''}: {whose(r)}",
        r["amount"],
        unit + per,
        source=source,
        flag=flag,
    )


def _body(body_mass_g: int | None) -> Step:
    kg = (body_mass_g or 0) / 1000
    return Step(f"the animal's body mass: {said(kg)} kg", kg, "kg")


def _mass(r: Written, food: Sequence[Written]) -> Step:
    """The food that a requirement counts, its dry matter where it is of that."""
    dry = r["basis"] == Basis.DRY_MATTER
    parts = [dry_matter(f) if dry else kilograms(f) for f in food if speaks_of(r, f)]
    if len(parts) == 1:
        return parts[0]
    kg = (r["food_g"] or 0) / 1000
    shown = " + ".join(said(p.value) for p in parts) or "none of it is in the food"
    words = f"{'dry matter' if dry else 'food'} of the day: {shown} = {said(kg)} kg"
    return Step(words, kg, "kg", How.PLUS, tuple(parts))


def whose(r: Written) -> str:
    """Which requirement it is, and for whom."""
    if r["scope"] == Scope.CATALOGUE:
        return "the catalogue's"
    return f"requirement no. {r['requirement']}, set for the {r['scope']}"


def needed(r: Written) -> float:
    """What it asks to be added."""
    return max(0.0, float(r["required"] - r["credit"]))


def does_not_count(r: Written) -> str:
    """That a narrower one takes its place."""
    per = _PER_WORDS[r["per"], r["basis"]]
    return (
        f"{whose(r)}, asks for {said(r['amount'])} {r['unit']} for each {per}: a narrower one "
        "takes its place"
    )
