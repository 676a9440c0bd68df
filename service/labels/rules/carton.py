"""What the codes of one carton or pallet say together, and where they disagree.

A value that two codes give differently is not chosen between: it is left out, and said.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from service.barcodes.rules.dates import printed_date
from service.barcodes.rules.elements import Code, CodeKind, Element
from service.barcodes.rules.identifiers import identifiers
from service.figures import table
from service.quantities import Mass, MassUnit, Temperature, TemperatureUnit

# FAO and GS1 write 01 to 04 [memory, high]; other codes are shown as printed.
PRODUCTION_METHODS = {
    "01": "caught at sea",
    "02": "caught in fresh water",
    "03": "farmed",
    "04": "cultivated",
}
# A clock in another zone may show tomorrow.
A_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Said:
    """Something to tell about a field of the label."""

    field: str
    because: str


@dataclass(frozen=True)
class Country:
    """A country by its ISO 3166 number, with its name where the catalogue has it."""

    code: str
    name: str | None


@dataclass(frozen=True)
class Printed:
    """What stands on a label, in the words of receiving. None: not there, or contradictory."""

    gtin: str | None = None
    sscc: str | None = None
    supplier_lot: str | None = None
    serial: str | None = None
    harvested_from: date | None = None
    harvested_to: date | None = None
    frozen_on: date | None = None
    produced_on: date | None = None
    packed_on: date | None = None
    best_before: date | None = None
    sell_by: date | None = None
    use_by: date | None = None
    mass: Mass | None = None
    count: int | None = None
    pieces: int | None = None
    species: str | None = None
    catch_area: str | None = None
    gear: str | None = None
    production_method: str | None = None
    max_temperature: Temperature | None = None
    origin_countries: tuple[Country, ...] = ()


@dataclass(frozen=True)
class Together:
    """What some codes say together, where they disagree, and what they need beside them."""

    printed: Printed
    contradictions: tuple[Said, ...] = ()
    missing: tuple[Said, ...] = ()


_TEXTS = {
    "00": "sscc",
    "01": "gtin",
    "02": "gtin",
    "10": "supplier_lot",
    "21": "serial",
    "7005": "catch_area",
    "7009": "gear",
}
_DAYS = {
    "11": "produced_on",
    "13": "packed_on",
    "15": "best_before",
    "16": "sell_by",
    "17": "use_by",
    "7006": "frozen_on",
    "7003": "use_by",
}
_COUNTS = {"30": "pieces", "37": "count"}
_UNITS = {"310": MassUnit.KG, "320": MassUnit.LB}
_DEGREES = {"4330": TemperatureUnit.F, "4331": TemperatureUnit.C}
IDENTITY = ("sscc", "gtin", "supplier_lot", "serial")


def together(codes: Sequence[Code], today: date) -> Together:
    """Everything that the codes of one carton or pallet say, with what does not fit.

    Cost: linear in the number of elements.
    """
    elements = [element for code in codes for element in code.elements]
    said, contradictions = _one_value_each(elements, today)
    mass, about_mass = _mass(elements)
    printed = Printed(mass=mass, origin_countries=_countries(elements), **said)
    contradictions += about_mass
    contradictions += [*_excluded(codes), *_out_of_order(printed, today)]
    return Together(printed, tuple(contradictions), tuple(_alone(elements)))


def several_cartons(codes: Sequence[Code]) -> tuple[str, ...]:
    """The fields by which codes must be of different cartons; none: they may be of one."""
    values: dict[str, set[str]] = {}
    for code in codes:
        if code.kind is CodeKind.OURS:
            values.setdefault("code", set()).add(code.text)
        for element in code.elements:
            if (name := _TEXTS.get(element.ai)) in IDENTITY:
                values.setdefault(name, set()).add(element.value)
    return tuple(name for name, found in values.items() if len(found) > 1)


def _one_value_each(elements: Iterable[Element], today: date) -> tuple[dict[str, Any], list[Said]]:
    """The fields that have one value, and what is said of those that have several."""
    found: dict[str, dict[object, Element]] = {}
    for element in elements:
        for name, value in _values(element, today):
            found.setdefault(name, {}).setdefault(value, element)
    one = {name: next(iter(values)) for name, values in found.items() if len(values) == 1}
    several = [_several(name, values) for name, values in found.items() if len(values) > 1]
    return one, several


def _values(element: Element, today: date) -> Iterator[tuple[str, object]]:
    """The fields that an element gives a value to."""
    ai, value = element.ai, element.value
    if ai in _TEXTS:
        yield _TEXTS[ai], value
    elif ai in _DAYS:
        yield _DAYS[ai], printed_date(value[:6], today, whole_month=ai not in ("7006", "7003"))
    elif ai in _COUNTS:
        yield _COUNTS[ai], int(value)
    elif ai == "7007":
        yield "harvested_from", printed_date(value[:6], today)
        yield "harvested_to", printed_date(value[-6:], today)
    elif ai == "7008":
        yield "species", value.upper()
    elif ai == "7010":
        yield "production_method", PRODUCTION_METHODS.get(value, f"code {value}")
    elif ai in _DEGREES:
        yield "max_temperature", _temperature(value, _DEGREES[ai])


def _temperature(value: str, unit: TemperatureUnit) -> Temperature:
    """Hundredths of a degree; a hyphen behind them is below zero."""
    degrees = Decimal(value[:6]) / 100
    return Temperature(-degrees if value.endswith("-") else degrees, unit)


def _several(name: str, values: Mapping[object, Element]) -> Said:
    shown = ", ".join(f"({e.ai}) {e.value}" for e in values.values())
    return Said(name, f"the codes say different things: {shown}")


def _mass(elements: Iterable[Element]) -> tuple[Mass | None, list[Said]]:
    """The net mass as printed, kilograms first, and whether all that is printed agrees."""
    printed = [(e, _UNITS[e.ai[:3]]) for e in elements if e.ai[:3] in _UNITS]
    spans = []
    for element, unit in printed:
        value, step = _decimal(element)
        spans.append((Mass.of(value, unit), Mass.of(step, unit).grams))
    if not spans:
        return None, []
    lowest = max(mass.grams - step for mass, step in spans)
    highest = min(mass.grams + step for mass, step in spans)
    if len(spans) > 1 and lowest > highest:
        shown = ", ".join(f"({e.ai}) {_decimal(e)[0]} {unit}" for e, unit in printed)
        return None, [Said("mass", f"the net masses printed differ: {shown}")]
    return min(spans, key=lambda span: span[0].unit is not MassUnit.KG)[0], []


def _decimal(element: Element) -> tuple[Decimal, Decimal]:
    """The number that a mass element means, and what its last digit is worth.

    >>> _decimal(Element("3102", "001250"))
    (Decimal('12.50'), Decimal('0.01'))
    """
    places = int(element.ai[3])
    return Decimal(int(element.value)).scaleb(-places), Decimal(1).scaleb(-places)


def _countries(elements: Iterable[Element]) -> tuple[Country, ...]:
    """Countries of origin, else of all processing, each once, in the order printed."""
    names = {row["iso_3166_numeric"]: row["name"] for row in table("countries")}
    codes = dict.fromkeys(e.value for e in elements if e.ai in ("422", "426"))
    return tuple(Country(code, names.get(code)) for code in codes)


def _excluded(codes: Iterable[Code]) -> Iterator[Said]:
    """Identifiers that may not stand in one code together."""
    for code in codes:
        ais = [element.ai for element in code.elements]
        for ai in ais:
            for other in ais:
                if identifiers()[ai].conflicts_with(other):
                    yield Said(f"({ai})", f"({ai}) may not stand with ({other}) in one code")


def _alone(elements: Sequence[Element]) -> Iterator[Said]:
    """Identifiers that need another one, which no code has."""
    there = {element.ai for element in elements}
    for ai in dict.fromkeys(e.ai for e in elements):
        for group in identifiers()[ai].requires:
            known = sorted(group & identifiers().keys()) or sorted(group)
            if not there & group:
                needed = " or ".join(f"({n})" for n in known)
                yield Said(
                    f"({ai})", f"({ai}) stands with {needed}: scan the other codes of the label"
                )


def _out_of_order(printed: Printed, today: date) -> Iterator[Said]:
    """Days that cannot follow one another, and days that have not come."""
    past = ("harvested_from", "harvested_to", "frozen_on", "produced_on", "packed_on")
    for name in past:
        day = getattr(printed, name)
        if day is not None and day > today + A_DAY:
            yield Said(name, f"{_words(name)} on {day} lies in the future")
    caught = printed.harvested_from
    for name in ("frozen_on", "packed_on", "best_before", "use_by"):
        day = getattr(printed, name)
        if caught is not None and day is not None and day < caught:
            yield Said(name, f"{_words(name)} {day} lies before the harvest from {caught}")
            yield Said("harvested_from", f"the harvest from {caught} lies after {day}")
    for name in ("best_before", "use_by"):
        day = getattr(printed, name)
        if printed.frozen_on is not None and day is not None and day < printed.frozen_on:
            yield Said(name, f"{_words(name)} {day} lies before freezing on {printed.frozen_on}")


def _words(name: str) -> str:
    return name.removesuffix("_on").removesuffix("_from").removesuffix("_to").replace("_", " ")
