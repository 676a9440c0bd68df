"""Kinds of checks, what each of them must say, and whether it is as it should be."""

from collections.abc import Iterator
from enum import StrEnum

from service.errors import with_article
from service.site.rules import Policy


class CheckKind(StrEnum):
    """What was measured or done."""

    CORE = "core"  # a thermometer in the fish
    AIR = "air"  # a thermometer held in the place
    ICE_POINT = "ice_point"  # a probe in melting ice
    CONTAINER = "container"  # a thermometer in a bucket or tub of thawed fish
    CLEANED = "cleaned"
    SANITISED = "sanitised"  # cleaned, then made free of germs


class Equipment(StrEnum):
    """What is cleaned and belongs to no one place."""

    BUCKETS = "buckets"
    UTENSILS = "utensils"  # knives, boards, scales


class Method(StrEnum):
    """How something is sanitised: the ways of 9 CFR 3.107(b)."""

    DISHWASHER = "dishwasher"
    DISINFECTANT = "disinfectant"  # after a detergent
    STEAM = "steam"


class Position(StrEnum):
    """Where in its stack a carton stands."""

    CORNER = "corner"
    MIDDLE = "middle"

    @property
    def words(self) -> str:
        """As somebody with a thermometer is told."""
        return {
            Position.CORNER: "an outer corner carton of the top layer",
            Position.MIDDLE: "a carton from the middle of the same stack",
        }[self]


NEEDED: dict[CheckKind, tuple[str, ...]] = {
    CheckKind.CORE: ("lot", "place", "temperature"),
    CheckKind.AIR: ("place", "temperature"),
    CheckKind.ICE_POINT: ("probe", "measured"),
    CheckKind.CONTAINER: ("place", "temperature"),
    CheckKind.CLEANED: (),
    CheckKind.SANITISED: ("method",),
}
CHORES = (CheckKind.CLEANED, CheckKind.SANITISED)
POSSIBLE: dict[CheckKind, tuple[str, ...]] = {
    CheckKind.CORE: (*NEEDED[CheckKind.CORE], "parcel", "position", "carton", "excursion"),
    CheckKind.AIR: (*NEEDED[CheckKind.AIR], "excursion"),
    CheckKind.ICE_POINT: NEEDED[CheckKind.ICE_POINT],
    CheckKind.CONTAINER: (*NEEDED[CheckKind.CONTAINER], "lot"),
    CheckKind.CLEANED: ("place", "equipment", "site"),
    CheckKind.SANITISED: (
        *("place", "equipment", "site", "method", "temperature", "contact_minutes"),
    ),
}
ABOUT = tuple(dict.fromkeys(name for names in POSSIBLE.values() for name in names))


def complaints(kind: CheckKind, said: frozenset[str]) -> Iterator[str]:
    """What is missing of a check, and what does not belong to it.

    >>> list(complaints(CheckKind.AIR, frozenset({"place", "lot"})))
    ['an air check needs temperature', 'an air check has no lot']
    """
    name = f"{with_article(kind.replace('_', ' '))} check"
    for field in NEEDED[kind]:
        if field not in said:
            yield f"{name} needs {field}"
    for field in ABOUT:
        if field in said and field not in POSSIBLE[kind]:
            yield f"{name} has no {field}"
    if kind in CHORES and len(said & {"place", "equipment"}) != 1:
        yield f"{name} needs either place or equipment"


def passes(
    kind: CheckKind,
    policy: Policy,
    *,
    method: Method | None,
    temperature_c: float | None,
    contact_minutes: float | None,
) -> bool | None:
    """Whether a check is as it should be by the policy; None where nothing says so.

    What was sanitised in too cold a dishwasher, or too short, is still to be done.

    >>> from service.site.rules import default_policy
    >>> passes(CheckKind.SANITISED, default_policy(), method=Method.DISHWASHER,
    ...        temperature_c=74.0, contact_minutes=None)
    False
    """
    if temperature_c is not None and kind is CheckKind.CONTAINER:
        return temperature_c <= policy.container_max
    if temperature_c is not None and method is Method.DISHWASHER:
        return temperature_c >= policy.dishwasher_min
    if contact_minutes is not None and method is Method.DISINFECTANT:
        return contact_minutes >= policy.disinfectant_contact
    return None
