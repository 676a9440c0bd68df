"""What the figures of an excursion suggest, and who may decide on it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from service.science.assessment import CHECK_ERROR_K, Assessment, Limits, Suggestion
from service.site.rules import RULE_BY_ID, Policy

HOT_C, WARM_C, HISTAMINE_C = 21.1, 10.0, 4.4
SURFACE_LIMITS_C = (HISTAMINE_C, WARM_C, HOT_C)


class Choice(StrEnum):
    """What becomes of a lot after an excursion; each stricter than the one before."""

    USE = "use"
    USE_FIRST = "use_first"
    HOLD = "hold"
    CONDEMN = "condemn"


STRICTNESS = {choice: number for number, choice in enumerate(Choice)}


@dataclass(frozen=True)
class Suggested:
    """What the figures call for, by which rule, on whose word; a person decides."""

    choice: Choice
    rule: str
    because: str
    source: str


@dataclass(frozen=True)
class Passed:
    """A limit that the fish passed or may have passed. surely: by the cold bound too."""

    limit: str
    surely: bool


def limits_of(policy: Policy) -> Limits:
    """The limits of a suggestion as the site has set them."""
    core = policy.excursion_core_limit
    return Limits(no_action_c=core, hold_c=max(core, Limits.hold_c))


def suggested(found: Assessment, policy: Policy) -> Suggested:
    """What becomes of fish by the warmest that it may have been.

    To condemn is suggested only where a rule that was read says so, and by the most
    likely figures; whatever else is too warm waits for the vet.
    """
    limits = limits_of(policy)
    core = found.peak_core_c
    surface = found.hours_of_surface_above
    by_core = Suggested(
        _BY_CORE[found.suggestions[0]],
        "excursion-open",
        f"core up to {core.high:.1f} °C; {limits.no_action_c:g} °C calls for nothing, above "
        f"{limits.hold_c:g} °C a vet decides",
        RULE_BY_ID["excursion-open"].source,
    )
    hot, warm = surface[HOT_C], surface[WARM_C]
    exposed = RULE_BY_ID["warm-too-long"].source
    if hot.value > 0 and warm.value > policy.exposure_pathogen_hot_h:
        return Suggested(
            Choice.CONDEMN,
            "warm-too-long",
            f"surface {warm.value:.1f} h above 10 °C with time above 21.1 °C: "
            f"{policy.exposure_pathogen_hot_h:g} h are allowed",
            exposed,
        )
    if _too_long(surface[HISTAMINE_C].high, warm.high, hot.high, policy):
        return Suggested(
            Choice.HOLD,
            "warm-too-long",
            f"surface up to {warm.high:.1f} h above 10 °C and {surface[HISTAMINE_C].high:.1f} h "
            "above 4.4 °C",
            exposed,
        )
    return by_core


_BY_CORE = {
    Suggestion.NO_ACTION: Choice.USE,
    Suggestion.USE_FIRST: Choice.USE_FIRST,
    Suggestion.HOLD: Choice.HOLD,
    Suggestion.EXPOSURE_RULES: Choice.USE_FIRST,  # a warmed shell round a hard frozen core
}


def _too_long(above_4: float, above_10: float, above_21: float, policy: Policy) -> bool:
    """Whether the surface may have been warm for longer than the exposure rules allow."""
    hot = above_21 > 0
    pathogen = policy.exposure_pathogen_hot_h if hot else policy.exposure_pathogen_cool_h
    histamine = (
        policy.exposure_prev_frozen_hot_h if hot else policy.exposure_prev_frozen_never_hot_h
    )
    return above_10 > pathogen or above_4 > histamine


def passed(found: Assessment, policy: Policy) -> list[Passed]:
    """The limits that core and surface passed, or may have passed."""
    core, limits = found.peak_core_c, limits_of(policy)
    named: Mapping[str, tuple[float, float, float]] = {
        f"core {limits.no_action_c:g} °C": (core.low, core.high, limits.no_action_c),
        f"core {limits.hold_c:g} °C": (core.low, core.high, limits.hold_c),
        **{
            f"surface {limit:g} °C": (hours.low, hours.high, 0.0)
            for limit, hours in sorted(found.hours_of_surface_above.items())
        },
    }
    return [Passed(name, low > limit) for name, (low, high, limit) in named.items() if high > limit]


def is_past(worst_c: float, limit_c: float) -> bool:
    """Whether the worst carton may have passed the policy's limit: then nobody takes of it."""
    return round(worst_c, 2) > limit_c


def commissary_may_release(worst_c: float, corners_c: Sequence[float], limit_c: float) -> bool:
    """Whether somebody who is no vet may let fish be used.

    Where the worst carton stayed within the limit; or corner cartons were measured, none of
    them past it, and only the thermometer's own error is. A core measured after fish froze
    hard again says nothing of before, and the vet decides.

    >>> commissary_may_release(-11.8, [-12.3, -12.0], -12.0)
    True
    >>> commissary_may_release(-9.0, [-18.0], -12.0)
    False
    """
    if not is_past(worst_c, limit_c):
        return True
    measured = bool(corners_c) and max(corners_c) <= limit_c
    return measured and not is_past(worst_c, limit_c + CHECK_ERROR_K)
