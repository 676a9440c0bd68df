"""Two days of supplements side by side, and the difference in words and numbers."""

from collections.abc import Iterator, Mapping

from service.catalogue.rules import nutrients, species_facts
from service.site.queries import SiteView
from service.supplements.actions.working import Worked
from service.supplements.actions.writing import document_of, unstored, with_changes
from service.supplements.schemas import PlanLine, PlannedSupplement
from service.what_if.schemas import (
    Comparison,
    DayOut,
    Difference,
    FishOut,
    LineChange,
    PiecesChange,
)

DAYS = 30


def compared(
    now: Worked, then: Worked, view: SiteView, changed: SiteView, *, alone: bool
) -> Comparison:
    """One animal's day as it stands beside the day as it would be.

    alone: whether it is the only one; then what would make unmet needs possible is told, too.
    """
    one, other = _day(now, view, alone=alone), _day(then, changed, alone=alone)
    return Comparison(
        animal=now.animal.code, now=one, then=other, difference=difference(one, other)
    )


def _day(worked: Worked, view: SiteView, *, alone: bool) -> DayOut:
    plan = unstored(worked)
    if alone and plan.unmet:
        plan = with_changes(plan, document_of(worked, view))
    mass_g = worked.body_mass_g
    return DayOut(
        food=[
            FishOut(species=f.species, mass=view.units.mass_out(f.grams), lot=f.lot)
            for f in worked.fed.food
        ],
        body_mass=None if mass_g is None else view.units.mass_out(mass_g),
        lines=plan.lines,
        supplements=plan.supplements,
        unmet=plan.unmet,
        changes=plan.changes,
        cost_per_day=plan.cost,
        cost_per_30_days=short(plan.cost * DAYS),
        exact=plan.exact,
        findings=plan.findings,
        suggestions=plan.suggestions,
    )


def difference(now: DayOut, then: DayOut) -> Difference:
    """What is otherwise; words are empty where nothing is."""
    supplements = list(_pieces(now, then))
    lines = list(_lines(now, then))
    return Difference(
        words=[
            *_food_words(now, then),
            *(_pieces_words(each) for each in supplements),
            *(words for each in lines for words in _line_words(each)),
            *_unmet_words(now, then),
            *_cost_words(now, then),
        ],
        lines=lines,
        supplements=supplements,
        cost_per_day=short(then.cost_per_day - now.cost_per_day),
        cost_per_30_days=short(then.cost_per_30_days - now.cost_per_30_days),
    )


def _pieces(now: DayOut, then: DayOut) -> Iterator[PiecesChange]:
    before, after = ({s.product: s for s in day.supplements} for day in (now, then))
    for code in dict.fromkeys((*before, *after)):
        counts = [_count(before.get(code)), _count(after.get(code))]
        if counts[0] != counts[1]:
            counted_in = (after.get(code) or before[code]).counted_in
            yield PiecesChange(product=code, counted_in=counted_in, now=counts[0], then=counts[1])


def _count(planned: PlannedSupplement | None) -> float:
    return 0.0 if planned is None else planned.count


def _lines(now: DayOut, then: DayOut) -> Iterator[LineChange]:
    before, after = ({line.nutrient: line for line in day.lines} for day in (now, then))
    for tag in dict.fromkeys((*before, *after)):
        one, other = before.get(tag), after.get(tag)
        shown = LineChange(
            nutrient=tag,
            unit=(other or before[tag]).unit,
            add_now=one and one.add,
            add_then=other and other.add,
            given_now=one and one.given,
            given_then=other and other.given,
            at_most_now=_most(one),
            at_most_then=_most(other),
            limit_now=one and one.limit,
            limit_then=other and other.limit,
        )
        if _differs(shown):
            yield shown


def _most(line: PlanLine | None) -> float | None:
    return None if line is None or line.total is None else line.total.high


def _differs(line: LineChange) -> bool:
    return (
        line.add_now != line.add_then
        or line.given_now != line.given_then
        or line.at_most_now != line.at_most_then
        or line.limit_now != line.limit_then
    )


def _food_words(now: DayOut, then: DayOut) -> Iterator[str]:
    before, after = _fish(now), _fish(then)
    for species in dict.fromkeys((*before, *after)):
        if before.get(species) != after.get(species):
            name = species_facts()[species].name
            yield f"{name}: {before.get(species, 'none')} → {after.get(species, 'none')}"


def _fish(day: DayOut) -> Mapping[str, str]:
    found: dict[str, list[str]] = {}
    for each in day.food:
        of = f" of lot {each.lot}" if each.lot else ""
        found.setdefault(each.species, []).append(f"{each.mass.value:g} {each.mass.unit}{of}")
    return {species: ", ".join(parts) for species, parts in found.items()}


def _pieces_words(each: PiecesChange) -> str:
    unit = "" if each.counted_in == "piece" else f" {each.counted_in}"
    before, after = (f"{count:g}{unit}" if count else "none" for count in (each.now, each.then))
    return f"{each.product}: {before} → {after}"


def _line_words(line: LineChange) -> Iterator[str]:
    name, unit = nutrients()[line.nutrient].name, line.unit
    if line.add_now is None:
        yield f"{name}: {line.add_then:g} {unit} is asked for, which was not before"
    elif line.add_then is None:
        yield f"{name} is not asked for any more"
    elif line.add_now != line.add_then:
        yield f"{name} to add: {line.add_now:g} → {line.add_then:g} {unit} a day"
    if line.limit_now != line.limit_then:
        before, after = (
            "none" if limit is None else f"{limit:g} {unit}"
            for limit in (line.limit_now, line.limit_then)
        )
        yield f"limit of {name}: {before} → {after}"


def _unmet_words(now: DayOut, then: DayOut) -> Iterator[str]:
    before, after = ({u.nutrient: u for u in day.unmet} for day in (now, then))
    for tag, unmet in after.items():
        name = nutrients()[tag].name
        if tag not in before:
            yield f"{name} would be short by {unmet.short_by:g} {unmet.unit}: {unmet.why}"
        elif before[tag].short_by != unmet.short_by:
            yield (
                f"{name} is short by {before[tag].short_by:g} {unmet.unit} "
                f"and would be by {unmet.short_by:g}"
            )
    for tag in before:
        if tag not in after:
            yield f"{nutrients()[tag].name} would not be short any more"


def _cost_words(now: DayOut, then: DayOut) -> Iterator[str]:
    if now.cost_per_day != then.cost_per_day:
        yield (
            f"cost a day {now.cost_per_day:g} → {then.cost_per_day:g}, "
            f"in {DAYS} days {now.cost_per_30_days:g} → {then.cost_per_30_days:g}"
        )


def short(value: float) -> float:
    """Six digits."""
    return float(f"{value:.6g}")
