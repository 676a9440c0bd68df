"""Masses and temperatures as people say them.

A person's "25 lb" becomes whole grams once, here, by exact decimals. After
that only grams are counted. 1 lb = 0.45359237 kg exactly (international
yard and pound agreement of 1959).
"""

import re
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from enum import StrEnum
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, WithJsonSchema


class MassUnit(StrEnum):
    """Units in which a person may give a mass."""

    KG = "kg"
    G = "g"
    LB = "lb"
    OZ = "oz"


class TemperatureUnit(StrEnum):
    """Units in which a person may give a temperature."""

    C = "c"
    F = "f"


_KG = MassUnit.KG  # lists show many masses; a member of an enum is found slowly in Python 3.11
GRAMS_PER = {
    MassUnit.KG: Decimal(1000),
    MassUnit.G: Decimal(1),
    MassUnit.LB: Decimal("453.59237"),
    MassUnit.OZ: Decimal("28.349523125"),
}
MAX_GRAMS = 10**9  # a thousand tonnes: beyond any cold store, well inside 32 bits
_NUMBER = r"[+-]?\d{1,12}(?:\.\d{1,9})?"
_GAP = r"[\s\u00a0\u202f]*"  # typesetters put a space between number and unit that does not break
# ASCII: else "٣ kg" would be a number, and "lbſ" a unit that nothing knows.
_MASS = re.compile(rf"({_NUMBER}){_GAP}(kg|g|lbs?|oz)", re.IGNORECASE | re.ASCII)
_TEMPERATURE = re.compile(
    rf"([+\-\u2212]?\d{{1,4}}(?:\.\d{{1,6}})?){_GAP}°?{_GAP}([CF])", re.IGNORECASE | re.ASCII
)
MAX_OFFSET_C = 10  # our default: a thermometer further off than this is broken, not off
_MASS_WORDS = {"kg": "kg", "g": "g", "lb": "lb", "lbs": "lb", "oz": "oz"}


@dataclass(frozen=True)
class Mass:
    """A mass as it was said, and in whole grams (half a gram rounds up)."""

    value: Decimal
    unit: MassUnit
    grams: int

    @classmethod
    def of(cls, value: Decimal, unit: MassUnit) -> "Mass":
        """From a number and its unit. Raises ValueError outside 0 g … 1 000 t."""
        if not value.is_finite():
            raise ValueError("the number must be finite")
        grams = int((value * GRAMS_PER[unit]).to_integral_value(ROUND_HALF_UP))
        if value < 0 or grams > MAX_GRAMS:
            raise ValueError(f"a mass lies between 0 and {MAX_GRAMS // 1_000_000} t")
        return cls(value, unit, grams)


@dataclass(frozen=True)
class Temperature:
    """A temperature as it was said, and in °C."""

    value: Decimal
    unit: TemperatureUnit

    @property
    def c(self) -> float:
        """In °C."""
        return to_celsius(float(self.value), self.unit)


@dataclass(frozen=True)
class TemperatureDifference:
    """How far two temperatures lie apart, as it was said, and in °C."""

    value: Decimal
    unit: TemperatureUnit

    @property
    def c(self) -> float:
        """In °C: a difference of 9 °F is one of 5 °C, whatever they are differences of."""
        return float(self.value) if self.unit is TemperatureUnit.C else float(self.value) * 5 / 9


def to_celsius(value: float, unit: TemperatureUnit) -> float:
    """°C from a number in °C or °F."""
    return value if unit is TemperatureUnit.C else (value - 32) * 5 / 9


def from_celsius(c: float, unit: TemperatureUnit) -> float:
    """A number in °C or °F from °C."""
    return c if unit is TemperatureUnit.C else c * 9 / 5 + 32


def parse_mass(said: object) -> Mass:
    """A mass from "25 lb" or {"value": "25", "unit": "lb"}.

    Raises ValueError with a plain sentence for anything else: other units,
    NaN, infinities, negative numbers, numbers without a unit.
    """
    if isinstance(said, Mass):
        return said
    if isinstance(said, dict):
        said = _joined(said)
    if not isinstance(said, str) or not (match := _MASS.fullmatch(said.strip())):
        raise ValueError("write a mass as a number and kg, g, lb or oz, like '11.3 kg'")
    unit = MassUnit(_MASS_WORDS[match[2].lower()])
    return Mass.of(Decimal(match[1]), unit)


def parse_temperature(said: object) -> Temperature:
    """A temperature from "-18 °C", "0 F" or {"value": "0", "unit": "f"}."""
    if isinstance(said, Temperature):
        return said
    if isinstance(said, dict):
        said = _joined(said)
    if not isinstance(said, str) or not (match := _TEMPERATURE.fullmatch(said.strip())):
        raise ValueError("write a temperature as a number and °C or °F, like '-18 °C'")
    unit = TemperatureUnit(match[2].lower())
    temperature = Temperature(Decimal(match[1].replace("\u2212", "-")), unit)
    if not -100 <= temperature.c <= 100:
        raise ValueError("a temperature in a fish kitchen lies between -100 and 100 °C")
    return temperature


def parse_difference(said: object) -> TemperatureDifference:
    """A difference of temperatures from "-0.3 °C", "0.5 F" or {"value": "0.5", "unit": "f"}."""
    if isinstance(said, TemperatureDifference):
        return said
    if isinstance(said, dict):
        said = _joined(said)
    if not isinstance(said, str) or not (match := _TEMPERATURE.fullmatch(said.strip())):
        raise ValueError("write a difference as a number and °C or °F, like '-0.3 °C'")
    value = Decimal(match[1].replace("\u2212", "-"))
    difference = TemperatureDifference(value, TemperatureUnit(match[2].lower()))
    if not -MAX_OFFSET_C <= difference.c <= MAX_OFFSET_C:
        raise ValueError(f"more than {MAX_OFFSET_C} °C off: such a probe is faulty")
    return difference


def _joined(parts: dict[Any, Any]) -> str:
    if set(parts) != {"value", "unit"}:
        raise ValueError("give exactly 'value' and 'unit'")
    return f"{parts['value']} {parts['unit']}"


def _positive(mass: Mass) -> Mass:
    if mass.grams <= 0:
        raise ValueError("the mass must be more than zero")
    return mass


def _mass_schema(example: str) -> WithJsonSchema:
    pair = {
        "type": "object",
        "required": ["value", "unit"],
        "additionalProperties": False,
        "properties": {
            "value": {"type": ["string", "number"]},
            "unit": {"enum": [u.value for u in MassUnit]},
        },
    }
    return WithJsonSchema(
        {"anyOf": [{"type": "string", "examples": [example]}, pair]}, mode="validation"
    )


def _parse_positive_mass(said: object) -> Mass:
    return _positive(parse_mass(said))


MassIn = Annotated[
    Mass,
    BeforeValidator(_parse_positive_mass),
    _mass_schema("11.3 kg"),
]
"""A mass more than zero."""
MassOrNoneIn = Annotated[Mass, BeforeValidator(parse_mass), _mass_schema("0 kg")]
"""A mass that may be zero."""
TemperatureIn = Annotated[
    Temperature,
    BeforeValidator(parse_temperature),
    WithJsonSchema({"anyOf": [{"type": "string", "examples": ["-18 °C"]}, {"type": "object"}]}),
]

DifferenceIn = Annotated[
    TemperatureDifference,
    BeforeValidator(parse_difference),
    WithJsonSchema({"anyOf": [{"type": "string", "examples": ["-0.3 °C"]}, {"type": "object"}]}),
]
"""How far two temperatures lie apart, at most 10 °C."""


class MassOut(BaseModel):
    """A mass in the site's unit, and in the whole grams that are counted."""

    model_config = ConfigDict(frozen=True)

    value: float
    unit: MassUnit
    g: int


class TemperatureOut(BaseModel):
    """A temperature in the site's unit, and in °C."""

    model_config = ConfigDict(frozen=True)

    value: float
    unit: TemperatureUnit
    c: float


@dataclass(frozen=True)
class Units:
    """How one site writes masses and temperatures."""

    mass: MassUnit = MassUnit.KG
    temperature: TemperatureUnit = TemperatureUnit.C

    def mass_out(self, grams: int) -> MassOut:
        """Grams in the site's unit: kilograms to the gram, pounds to a hundredth."""
        return MassOut(value=self.mass_value(grams), unit=self.mass, g=grams)

    def mass_value(self, grams: int) -> float:
        """The number that `mass_out` shows."""
        if self.mass is _KG:
            return grams / 1000  # whole grams: exact to the third place
        value = (Decimal(grams) / GRAMS_PER[self.mass]).quantize(Decimal("0.01"), ROUND_HALF_UP)
        return float(value)

    def temperature_out(self, c: float) -> TemperatureOut:
        """°C in the site's unit, to a hundredth."""
        value = round(from_celsius(c, self.temperature), 2)
        return TemperatureOut(value=value, unit=self.temperature, c=round(c, 2))

    def difference_out(self, c: float) -> TemperatureOut:
        """A difference of °C in the site's unit, to a hundredth."""
        value = c if self.temperature is TemperatureUnit.C else c * 9 / 5
        return TemperatureOut(value=round(value, 2), unit=self.temperature, c=round(c, 2))


@dataclass(frozen=True)
class TemperatureLimit:
    """A limit in the unit of whoever set it: 0 °F passes a limit of 0 °F.

    Limits of the rules stand in °C. For somebody who measures in °F the
    regulation's own pair is used where there is one (−18 °C, 0 °F: 9 CFR
    3.105(d)); any other limit is converted exactly.
    """

    c: float
    REGULATION_PAIRS = {-18.0: 0.0}  # noqa: RUF012 - a constant of the class, never changed

    def passed_by(self, temperature: Temperature) -> bool:
        """Whether a temperature is not warmer than the limit."""
        if temperature.unit is TemperatureUnit.C:
            return float(temperature.value) <= self.c
        exact = round(from_celsius(self.c, TemperatureUnit.F), 6)
        return float(temperature.value) <= self.REGULATION_PAIRS.get(self.c, exact)
