"""Standing orders: whether an order still holds by new figures, and what has changed, in words.

Both sides are documents of plans, as they were written down.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Any

from service.catalogue.rules import nutrients, species_facts

Document = Mapping[str, Any]
ROUNDED = 1e-5  # of an amount: documents keep six digits
NOTED = 0.01  # of a content: storage takes less than that from one day to the next


class OrderState(StrEnum):
    """Where an animal's order stands."""

    IN_FORCE = "in_force"
    TO_COME = "to_come"
    PROPOSED = "proposed"
    LAPSED = "lapsed"
    WITHDRAWN = "withdrawn"


class EndedWhy(StrEnum):
    """Why a signed order does not hold any more."""

    REPLACED = "replaced"
    LAPSED = "lapsed"
    WITHDRAWN = "withdrawn"


class GivenOutcome(StrEnum):
    """What became of pieces that were due."""

    GIVEN = "given"
    OMITTED = "omitted"
    REFUSED = "refused"
    SPAT_OUT = "spat_out"
    UNKNOWN = "unknown"


SWALLOWED = frozenset({GivenOutcome.GIVEN, GivenOutcome.UNKNOWN})
"""What counts against limits: what nobody saw may have been swallowed."""

HANDLED = frozenset(GivenOutcome) - {GivenOutcome.OMITTED}
"""What left its batch, whatever became of it: it is not given again by itself."""


def takes_the_place(new: tuple[date, date | None], old: tuple[date, date | None]) -> bool:
    """Whether an order that is signed now ends an older one of the same animal.

    Each is a first day and a last, None: until further notice. An order for some days stops a
    longer one only while it lasts; then the longer one holds again.
    """
    _, last = new
    begins_in_time = old[1] is None or new[0] <= old[1]
    if not begins_in_time:
        return False
    return last is None or (old[1] is not None and old[1] <= last)


def overlap(one: tuple[date, date | None], other: tuple[date, date | None]) -> bool:
    """Whether two orders have a day in common."""
    return (other[1] is None or one[0] <= other[1]) and (one[1] is None or other[0] <= one[1])


def pieces(document: Document) -> dict[str, float]:
    """What a plan orders of each product."""
    return {line["product"]: line["count"] for line in document["supplements"]}


def strengths(document: Document) -> dict[str, Mapping[str, float]]:
    """What a plan counts on in a piece of each product that it orders, by nutrient."""
    known = _strengths(document)
    return {
        line["product"]: known.get(line["product"])
        or {each["nutrient"]: each["amount"] / line["count"] for each in line["gives"]}
        for line in document["supplements"]
    }


def gives(document: Document) -> dict[str, float]:
    """What the pieces of a plan give of each nutrient in all."""
    total: dict[str, float] = {}
    for line in document["supplements"]:
        for each in line["gives"]:
            total[each["nutrient"]] = total.get(each["nutrient"], 0.0) + each["amount"]
    return total


def same(one: Mapping[str, float], other: Mapping[str, float]) -> bool:
    """Whether pieces are the same."""
    return one.keys() == other.keys() and all(abs(one[p] - other[p]) < 1e-9 for p in one)


@dataclass(frozen=True)
class Crossed:
    """A limit that the pieces of an order would cross by new figures."""

    nutrient: str
    given: float
    room: float
    limit: float | None

    def words(self) -> str:
        """It in a sentence."""
        return (
            f"limit of {_name(self.nutrient)} would be crossed: "
            f"{_of(self.nutrient, self.given)} in the pieces, {_figure(self.room)} may be added"
        )


@dataclass(frozen=True)
class Room:
    """What may be added of a nutrient under its limit on a day."""

    nutrient: str
    room: float
    limit: float | None


def crossed(
    order: Document, rooms: Iterable[Room], strengths: Mapping[str, Mapping[str, float]]
) -> list[Crossed]:
    """Limits that the pieces of an order would cross, by the strengths of a day."""
    total: dict[str, float] = {}
    for line in order["supplements"]:
        contents = strengths.get(line["product"])
        if contents is None:
            contents = {g["nutrient"]: g["amount"] / line["count"] for g in line["gives"]}
        for tag, amount in contents.items():
            total[tag] = total.get(tag, 0.0) + amount * line["count"]
    return [
        Crossed(each.nutrient, given, each.room, each.limit)
        for each in rooms
        for given in [total.get(each.nutrient, 0.0)]
        if given > each.room * (1 + ROUNDED) + 1e-9
    ]


def _crossed(before: Document, now: Document) -> list[Crossed]:
    rooms = [
        Room(line["nutrient"], line["room"], line["limit"])
        for line in now["lines"]
        if line.get("room") is not None
    ]
    return crossed(before, rooms, _strengths(now))


def differences(before: Document, now: Document) -> list[str]:
    """What has changed from one plan of an animal to another, the gravest first; empty: nothing.

    >>> plan = {"supplements": [], "lines": [], "unmet": [], "food_g": 5000}
    >>> differences(plan, {**plan, "food_g": 6000})
    ['food 5 kg → 6 kg']
    """
    said = [each.words() for each in _crossed(before, now)]
    said += _pieces(before, now)
    if not _worked(before):
        # From before figures were kept: everything would be "new", and nothing is known of it.
        return said + list(_all_food(before, now))
    causes = [
        *_food(before, now),
        *_body_mass(before, now),
        *_required(before, now),
        *_limits(before, now),
        *_products(before, now),
        *_policy(before, now),
        *_unmet(before, now),
    ]
    if said and not causes:
        causes = ["other pieces fit better now: compare the two plans"]
    return list(dict.fromkeys([*said, *causes]))


def _pieces(before: Document, now: Document) -> Iterator[str]:
    was, is_ = pieces(before), pieces(now)
    lines = {line["product"]: line for line in (*before["supplements"], *now["supplements"])}
    for product, line in lines.items():
        one, other = was.get(product, 0.0), is_.get(product, 0.0)
        if abs(one - other) > 1e-9:
            counted = _counted_in(line.get("counted_in", "piece"), other)
            because = _because(line, before, now)
            yield f"{product}: {one:g} → {other:g} {counted}{because}"


def _because(line: Mapping[str, Any], before: Document, now: Document) -> str:
    """Which of its nutrients are to be added otherwise."""
    tags = {gives["nutrient"] for gives in line["gives"]}
    was = {each["nutrient"]: each["add"] for each in before["lines"]}
    changed = [
        f"{_figure(was.get(tag, 0.0))} → {_of(tag, add)} of {_name(tag)} are to be added"
        for each in now["lines"]
        for tag, add in [(each["nutrient"], each["add"])]
        if tag in tags and _figure(was.get(tag, 0.0)) != _figure(add)
    ]
    return f" because {' and '.join(changed)}" if changed else ""


def _food(before: Document, now: Document) -> Iterator[str]:
    was, is_ = _by_species(before), _by_species(now)
    if not was and not is_:
        yield from _all_food(before, now)
        return
    counting = _counting(before) | _counting(now)
    for species in dict.fromkeys([*was, *is_]):
        name = _fish(species)
        if species not in is_:
            yield f"no {name} any more ({_kg(_grams(was[species]))})"
        elif species not in was:
            yield f"{name} is new: {_kg(_grams(is_[species]))}"
        else:
            yield from _one_fish(name, was[species], is_[species], counting)


def _all_food(before: Document, now: Document) -> Iterator[str]:
    was, is_ = before.get("food_g"), now.get("food_g")
    if was != is_ and was is not None and is_ is not None:
        yield f"food {_kg(was)} → {_kg(is_)}"


def _counting(document: Document) -> set[str]:
    """Nutrients of which the fish's own content decides something: a need, or a limit."""
    return {
        line["nutrient"]
        for line in document["lines"]
        if line["credit"] > 0 or (line["limit"] is not None and line.get("limit_on") == "total")
    }


def _one_fish(
    name: str,
    was: Sequence[Mapping[str, Any]],
    is_: Sequence[Mapping[str, Any]],
    counting: Collection[str],
) -> Iterator[str]:
    if _grams(was) != _grams(is_):
        yield f"{name} {_kg(_grams(was))} → {_kg(_grams(is_))}"
    content = ", ".join(_content(was[0], is_[0], counting))
    lots, new = _lots(was), _lots(is_)
    if lots != new:
        yield f"{name}: {new} instead of {lots}" + (f" ({content})" if content else "")
    elif content:
        yield f"{name} of {lots}: {content}"


def _content(
    was: Mapping[str, Any], is_: Mapping[str, Any], counting: Collection[str]
) -> Iterator[str]:
    """Contents that are not what they were by more than a hundredth, or known otherwise."""
    for tag in sorted(counting & was["content"].keys() & is_["content"].keys()):
        one, other = was["content"][tag], is_["content"][tag]
        known_anew = one["source"] != other["source"]
        if known_anew or abs(one["value"] - other["value"]) > NOTED * one["value"]:
            yield (
                f"{_name(tag)} {_figure(one['value'])} → "
                f"{_figure(other['value'])} {nutrients()[tag].unit}"
                + (f", {other['source'].split(';')[0]}" if known_anew else "")
            )


def _body_mass(before: Document, now: Document) -> Iterator[str]:
    was, is_ = (_worked(d).get("body_mass_g") for d in (before, now))
    if was != is_ and is_ is not None and _worked(before):
        yield f"weight {_kg(was, '') if was is not None else 'unknown'} → {_kg(is_)}"


def _required(before: Document, now: Document) -> Iterator[str]:
    if not (_worked(before) and _worked(now)):
        return
    was, is_ = _requirements(before), _requirements(now)
    for key in dict.fromkeys([*was, *is_]):
        name = _name(key[0])
        if key not in is_:
            yield f"{name}: {was[key]} not required any more"
        elif key not in was:
            yield f"{name}: {is_[key]} required, was not before"
        elif was[key] != is_[key]:
            yield f"{name} required: {was[key]} → {is_[key]}"


def _requirements(document: Document) -> dict[tuple[str, str, str, str | None], str]:
    """Requirements in words, by nutrient, mode, per and fish; limits are told elsewhere."""
    found: dict[tuple[str, str, str, str | None], str] = {}
    for each in _worked(document)["requirements"]:
        if each["amount"] == 0 or not each["decides"]:
            continue
        per = {"kg_food": "a kg of food", "animal_day": "a day", "kg_body_mass": "a kg of weight"}
        words = f"{_figure(each['amount'])} {each['unit']} {per[each['per']]}"
        if each["basis"] == "dry_matter":
            words += ", dry"
        if each["mode"] == "total":
            words += " with the fish's own"
        if each["species"]:
            words += f", of {_fish(each['species'])} only"
        if each["cap_per_day"] is not None:
            words += f", at most {_figure(each['cap_per_day'])} {each['unit']} a day"
        key = (each["nutrient"], each["mode"], each["per"], each["species"])
        found[key] = f"{found[key]} and {words}" if key in found else words
    return found


def _limits(before: Document, now: Document) -> Iterator[str]:
    was, is_ = (
        {line["nutrient"]: (line["limit"], line.get("limit_on")) for line in d["lines"]}
        for d in (before, now)
    )
    for tag, (limit, _) in is_.items():
        old = was.get(tag, (None, None))
        if old != is_[tag] and (old[0] is not None or limit is not None):
            shown = ["none" if each is None else _of(tag, each) for each in (old[0], limit)]
            yield f"limit of {_name(tag)} a day: {shown[0]} → {shown[1]}"


def _products(before: Document, now: Document) -> Iterator[str]:
    was, is_ = _strengths(before), _strengths(now)
    if not was and not is_:
        return
    batches = {p["product"]: p["batch"] for p in _worked(now).get("products", ())}
    for product in dict.fromkeys([*pieces(before), *pieces(now)]):
        if product not in is_:
            yield f"{product} is not to be had any more"
        elif product not in was:
            yield f"{product} is new"
        else:
            batch = f" (batch {batches[product]})" if batches.get(product) else ""
            for tag in sorted({*was[product], *is_[product]}):
                one, other = was[product].get(tag, 0.0), is_[product].get(tag, 0.0)
                if abs(one - other) > 1e-6 * max(one, other):
                    yield f"{product} now {_of(tag, other)} of {_name(tag)}, was {one:g}{batch}"


def _policy(before: Document, now: Document) -> Iterator[str]:
    name = "credits_thiamine_and_vitamin_e"
    was, is_ = _worked(before).get(name), _worked(now).get(name)
    if was is not None and is_ is not None and was != is_:
        yield (
            "policy: the fish's own thiamine and vitamin E "
            f"{'count now' if is_ else 'do not count any more'}"
        )


def _unmet(before: Document, now: Document) -> Iterator[str]:
    was = {each["nutrient"] for each in before["unmet"]}
    for each in now["unmet"]:
        if each["nutrient"] not in was:
            short = f"{_figure(each['short_by'])} {each['unit']}"
            yield f"{_name(each['nutrient'])} stays short by {short}: {each['why']}"


def _worked(document: Document) -> Mapping[str, Any]:
    """What a plan was worked out from; nothing of plans older than its keeping."""
    worked: Mapping[str, Any] = document.get("worked_from") or {}
    return worked


def _strengths(document: Document) -> dict[str, Mapping[str, float]]:
    return {p["product"]: p["contents"] for p in _worked(document).get("products", ())}


def _by_species(document: Document) -> dict[str, list[Mapping[str, Any]]]:
    found: dict[str, list[Mapping[str, Any]]] = {}
    for food in _worked(document).get("food", ()):
        found.setdefault(food["species"], []).append(food)
    return found


def _lots(food: Iterable[Mapping[str, Any]]) -> str:
    codes = sorted({f"lot {f['lot']}" if f["lot"] else "usual fish" for f in food})
    return " and ".join(codes)


def _grams(food: Iterable[Mapping[str, Any]]) -> int:
    return sum(f["grams"] for f in food)


def _kg(grams: int, unit: str = " kg") -> str:
    return f"{grams / 1000:g}{unit}"


def _name(tag: str) -> str:
    return nutrients()[tag].name


def _of(tag: str, amount: float) -> str:
    return f"{_figure(amount)} {nutrients()[tag].amount_unit}"


def _fish(species: str) -> str:
    facts = species_facts().get(species)
    return facts.name if facts else species


def _counted_in(unit: str, count: float) -> str:
    return f"{unit}s" if unit == "piece" and count != 1 else unit


def _figure(value: float) -> str:
    """Four digits, and never a power of ten."""
    return f"{value:.0f}" if value >= 1000 else f"{value:.4g}"
