"""What people are told of an excursion: what, where, since when, and what to do first."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from service.excursions.rules import ExcursionKind
from service.quantities import TemperatureUnit, Units
from service.science.excursion_shape import Cause

CAUTION = (
    "Air is not fish: only a thermometer in the fish decides. Do not feed or refreeze fish that "
    "has warmed before it was looked at; the attending veterinarian decides."
)
_FIRST = {
    Cause.DOOR: "Close the door and look why it was open; see that it shuts by itself.",
    Cause.COMPRESSOR: "Listen whether the compressor runs and call the cooling engineer; keep the "
    "door shut and make room in another freezer.",
    Cause.DEFROST: "Look whether the defrost has ended; if not, switch it off and call the "
    "cooling engineer.",
    Cause.UNKNOWN: "Close the door; listen whether the compressor runs; look for power.",
}
_THEN = "Probe a few outer cartons by hand and write the core temperatures down; if they warm, "
_MOVE = "move the fish to a colder place."
_SILENT = (
    "Look at the thermometer, its battery and its radio or network; until it is heard again, "
    "read the place by hand every hour and write it down."
)


@dataclass(frozen=True)
class Told:
    """An excursion as people are told of it."""

    place: str
    probe: str
    kind: ExcursionKind
    cause: Cause
    limit_c: float | None
    peak_c: float | None
    from_at: datetime
    ended_at: datetime | None


def title_of(told: Told, units: Units) -> str:
    """One line: which place, and what is the matter."""
    if told.kind is ExcursionKind.SILENT:
        return f"{told.place}: no reading" + (" was heard for a while" if told.ended_at else "")
    peak = _said(told.peak_c, units)
    if told.kind is ExcursionKind.RISING:
        return f"{told.place}: the air is rising, {peak} so far" if told.ended_at is None else (
            f"{told.place}: the air rose to {peak} and stopped rising"
        )  # fmt: skip
    if told.ended_at is not None:
        return f"{told.place}: was too warm, up to {peak}; it is over"
    return f"{told.place}: too warm, {peak}"


def body_of(told: Told, units: Units, zone: ZoneInfo) -> str:
    """What is known, what to do first, and the caution."""
    since = _when(told.from_at, zone)
    if told.kind is ExcursionKind.SILENT:
        heard = "" if told.ended_at is None else f", heard again {_when(told.ended_at, zone)}"
        known = f"Probe {told.probe} of {told.place} is silent since {since}{heard}."
        return f"{known} Nobody knows whether it is cold there. {_SILENT} {CAUTION}"
    until = "" if told.ended_at is None else f" until {_when(told.ended_at, zone)}"
    lasted = "" if told.ended_at is None else f" ({_length(told.ended_at - told.from_at)})"
    verb = "rising" if told.kind is ExcursionKind.RISING else "above its limit"
    known = (
        f"Probe {told.probe} of {told.place}: {verb} since {since}{until}{lasted}, "
        f"warmest {_said(told.peak_c, units)}, limit {_said(told.limit_c, units)}."
    )
    guess = "" if told.cause is Cause.UNKNOWN else f" It looks like: {told.cause}."
    first = _FIRST[told.cause] if told.ended_at is None else "Look for the cause."
    return f"{known}{guess} {first} {_THEN}{_MOVE} {CAUTION}"


def _said(c: float | None, units: Units) -> str:
    if c is None:
        return "not measured"
    sign = "F" if units.temperature is TemperatureUnit.F else "C"
    return f"{units.temperature_out(c).value:.1f} °{sign}"


def _when(at: datetime, zone: ZoneInfo) -> str:
    return f"{at.astimezone(zone):%Y-%m-%d %H:%M}"


def _length(lasted: timedelta) -> str:
    minutes = round(lasted / timedelta(minutes=1))
    return f"{minutes // 60} h {minutes % 60:02d} min"
