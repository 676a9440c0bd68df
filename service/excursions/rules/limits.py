"""What a place is held against: its limit, its grace, and when an excursion is over."""

from dataclasses import dataclass

from service.quantities import TemperatureUnit
from service.site.rules import PlaceKind, Policy, place_limit_c

_AT_ONCE = {
    PlaceKind.FREEZER: "excursion_at_once_freezer",
    PlaceKind.REFRIGERATOR: "excursion_at_once_cold",
    PlaceKind.ICE: "excursion_at_once_cold",
    PlaceKind.THAW_ROOM: "excursion_at_once_thaw",
    PlaceKind.THAW_TANK: "excursion_at_once_thaw",
}


@dataclass(frozen=True)
class Limits:
    """The figures of one kind of place under one policy, in °C and seconds.

    limit_c : the warmest that it may be for longer than grace_s; None: only silence counts.
    at_once_c : warmer than this there is no grace.
    margin_k, cold_s : it ends once so much colder than the limit for so long.
    merge_s : excursions nearer than this are one; so long at the limit ends one too.
    rise_k_per_h, rise_s : of a rise below the limit; None: not looked for.
    defrost_s, defrost_c : a regular spike so short and so cold is no excursion; 0: none is.
    gap_s : longer without a reading is silence.
    """

    limit_c: float | None
    at_once_c: float
    grace_s: int
    margin_k: float
    cold_s: int
    merge_s: int
    rise_k_per_h: float | None
    rise_s: int
    defrost_s: int
    defrost_c: float
    gap_s: int


def limits_of(kind: PlaceKind, policy: Policy, unit: TemperatureUnit) -> Limits:
    """What a place of a kind is held against under a policy.

    >>> from service.site.rules import default_policy
    >>> freezer = limits_of(PlaceKind.FREEZER, default_policy(), TemperatureUnit.C)
    >>> freezer.limit_c, freezer.at_once_c, freezer.grace_s
    (-18.0, 0.0, 1800)
    """
    freezer = kind is PlaceKind.FREEZER
    named = "excursion_grace" if freezer else f"excursion_grace_{kind}"
    limit = place_limit_c(kind, policy, unit)
    return Limits(
        limit_c=limit,
        at_once_c=0.0 if limit is None else getattr(policy, _AT_ONCE[kind]),
        grace_s=0 if limit is None else int(getattr(policy, f"{named}_minutes") * 60),
        margin_k=policy.excursion_margin,
        cold_s=int(policy.excursion_cold_minutes * 60),
        merge_s=int(policy.excursion_merge_minutes * 60),
        rise_k_per_h=policy.rising_per_hour if freezer else None,
        rise_s=int(policy.rising_minutes * 60),
        defrost_s=int(policy.defrost_minutes * 60) if freezer else 0,
        defrost_c=policy.excursion_core_limit,
        gap_s=int(policy.gap_minutes * 60),
    )
