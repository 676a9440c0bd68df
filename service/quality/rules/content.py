"""What fish still holds of each nutrient, with its range, and how much of that may count."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache

import numpy as np

from service.catalogue.rules import (
    Part,
    Thiaminase,
    content_source,
    default_content,
    nutrients,
    species_facts,
)
from service.lots.rules import Portion
from service.science.residual import (
    DRIP,
    LEACHED,
    LEACHING,
    LOSS_RATES,
    SPECIES_DEFAULT_LN_SD,
    Band,
    LossRate,
    Start,
    content_left,
    learned_rate,
    least_after_water_thaw,
    share_left,
    steps_of,
)

PROXIMATE_LN_SD = 0.20  # spread of a species' proximates by season [science reference 7]
FILLET_FOR_WHOLE_LN_SD = 0.3  # a fillet result used for whole fish [science reference 6.3]
DAYS_TO_LEARN = 30  # that two samples of a lot must lie apart [science reference 6.3]
# How old frozen fish may be of which nobody knows the day, in days: ours, on the safe side.
DAY_UNKNOWN = (0.0, 180.0, 365.0)
PROXIMATES = frozenset({"WATER", "PROCNT", "FAT", "ASH", "CHOCDF", "ENERC"})
WEAK_EVIDENCE = frozenset({"THIA", "VITE"})
NEVER_CREDITED = {
    "VITC": "negligible in stored fish at every sampling, Mejia-Fava 2014: no credit",
}
_NO_DAYS = (0.0, 0.0, 0.0)

Range = tuple[float, float, float]  # low, value, high
DaysSince = Callable[[date | None], Range]
"""Days at -18 °C that did as much as the fish went through since noon of a day; None: since it
was frozen, else caught."""


@dataclass(frozen=True)
class Fish:
    """What besides its past bears on what fish holds.

    since : the day that it was frozen, else caught. thiaminase_from : who says so. in_water :
    whether it was thawed in water, or is to be.
    """

    species: str
    part: str = Part.WHOLE
    since: date | None = None
    thiaminase: Thiaminase = Thiaminase.UNKNOWN
    thiaminase_from: str = "species"
    in_water: bool = False

    @property
    def portion(self) -> Portion:
        """What of a fish a laboratory must have had to be right for this."""
        return Portion.FILLET if self.part == Part.FILLET else Portion.WHOLE


@dataclass(frozen=True)
class Result:
    """One counted result of a lot, as fed in the service's unit; its detection limit if below."""

    assay_id: int
    sampled_on: date
    portion: str
    amount: float
    ln_sd: float
    limit: float | None = None


@dataclass(frozen=True)
class Held:
    """What fish holds of a nutrient, as fed in the service's unit, with its 10-90 % range.

    share_left : of what there was at the start. credited : the low and the high bound of what
    the policy lets count towards a need. sampled_on, assay_id : of the laboratory's result
    that it starts with, None: the species default. since : the day that the loss counts from,
    None: unknown. days : at -18 °C that did as much. rate : of the loss, None: it does not
    fall. Triples are low, value, high.
    """

    nutrient: str
    unit: str
    low: float
    value: float
    high: float
    source: str
    share_left: Range
    credited: tuple[float, float]
    why_no_credit: str | None
    start: Start
    days: Range = _NO_DAYS
    rate: LossRate | None = None
    since: date | None = None
    sampled_on: date | None = None
    assay_id: int | None = None
    in_water: bool = False

    @property
    def steps(self) -> tuple[str, ...]:
        """How it came about, in plain words with numbers."""
        from_day = f" since {self.since}" if self.since is not None and self.rate else ""
        steps = [self.source + from_day]
        steps += steps_of(self.start, self.rate, self.days, self.unit)
        if self.in_water and self.nutrient in LEACHING:
            steps.append(
                f"thawed in water: {100 * LEACHED[0]:.0f} to {100 * LEACHED[1]:.0f} % leaches, "
                f"{100 * DRIP[0]:.0f} to {100 * DRIP[1]:.0f} % drips; the low bound counts it"
            )
        if self.why_no_credit is not None:
            steps.append(self.why_no_credit)
        return tuple(steps)


def contents(
    fish: Fish,
    results: Mapping[str, Sequence[Result]],
    days_since: DaysSince,
    *,
    may_credit: bool,
) -> dict[str, Held]:
    """What a lot still holds, by tag; a nutrient that nobody knows is missing, not zero.

    results : by tag, those that count. may_credit : what the site's policy says of thiamine
    and vitamin E. `days_since` is asked once a day.
    """
    days_of = cache(days_since)
    default = default_content(fish.species)
    held: dict[str, Held] = {}
    for tag in nutrients():
        chosen = newest(results.get(tag, ()), fish.portion)
        if chosen is not None:
            held[tag] = _sampled(fish, tag, chosen, results[tag], days_of, may_credit)
        elif tag in default:
            falls = tag in LOSS_RATES or tag in NEVER_CREDITED
            held[tag] = (
                _default(fish, tag, days_of, may_credit) if falls else _steady(fish.species, tag)
            )
    return held


def usual_contents(species: str, *, may_credit: bool) -> dict[str, Held]:
    """What fish of a species holds of which no lot is there: nobody knows how old it will be."""
    fish = Fish(species, thiaminase=species_facts()[species].thiaminase)
    return contents(fish, {}, lambda _: DAY_UNKNOWN, may_credit=may_credit)


def newest(results: Sequence[Result], portion: Portion) -> Result | None:
    """The result that counts: of the right portion before the other, then the newest.

    An older one of whole fish beats a newer one of fillet: gut and skin hold what muscle
    does not.
    """
    return max(
        results,
        key=lambda r: (r.portion == portion, r.sampled_on, r.assay_id),
        default=None,
    )


def _default(fish: Fish, tag: str, days_of: DaysSince, may_credit: bool) -> Held:
    spread = PROXIMATE_LN_SD if tag in PROXIMATES else SPECIES_DEFAULT_LN_SD
    rate = LOSS_RATES.get(tag)
    return _held(
        fish,
        tag,
        Start(default_content(fish.species)[tag], spread),
        rate,
        days_of(None) if rate is not None else _NO_DAYS,
        may_credit,
        source=f"species default: {content_source(fish.species)}",
    )


@cache
def _steady(species: str, tag: str) -> Held:
    """A species default that time does not change: the same of every lot."""
    return _default(Fish(species), tag, lambda _: _NO_DAYS, may_credit=True)


def _sampled(
    fish: Fish,
    tag: str,
    chosen: Result,
    results: Sequence[Result],
    days_of: DaysSince,
    may_credit: bool,
) -> Held:
    fits = chosen.portion == fish.portion
    rate = LOSS_RATES.get(tag)
    return _held(
        fish,
        tag,
        Start(
            chosen.amount, chosen.ln_sd + (0.0 if fits else FILLET_FOR_WHOLE_LN_SD), chosen.limit
        ),
        _learned(rate, chosen, results, days_of) if rate is not None else None,
        days_of(chosen.sampled_on) if rate is not None else _NO_DAYS,
        may_credit,
        source=f"assay of {chosen.sampled_on}, {_portion_words(chosen.portion)}",
        chosen=chosen,
    )


def _portion_words(portion: str) -> str:
    return "whole fish" if portion == Portion.WHOLE else portion


def _learned(
    rate: LossRate, last: Result, results: Sequence[Result], days_of: DaysSince
) -> LossRate:
    """The rate after the first sample of the same portion long enough before the last one."""
    if last.limit is not None or last.amount <= 0:
        return rate
    earlier = [
        r
        for r in results
        if r.portion == last.portion
        and r.limit is None
        and r.amount > 0
        and (last.sampled_on - r.sampled_on).days >= DAYS_TO_LEARN
    ]
    if not earlier:
        return rate
    first = min(earlier, key=lambda r: (r.sampled_on, -r.assay_id))
    between = days_of(first.sampled_on)[1] - days_of(last.sampled_on)[1]
    if between <= 0:
        return rate
    return learned_rate(
        rate,
        first=first.amount,
        second=last.amount,
        days=between,
        first_ln_sd=first.ln_sd,
        second_ln_sd=last.ln_sd,
    )


def _held(
    fish: Fish,
    tag: str,
    start: Start,
    rate: LossRate | None,
    days: Range,
    may_credit: bool,
    *,
    source: str,
    chosen: Result | None = None,
) -> Held:
    elapsed = Band.of(days[1], days[0], days[2])
    low, value, high = amounts_left(tag, start, rate, elapsed, in_water=fish.in_water).only
    share = share_left(rate, elapsed).only
    if fish.in_water and tag in LEACHING:
        share = (float(least_after_water_thaw(share[0])), *share[1:])
    why = _no_credit(fish, tag, may_credit)
    return Held(
        nutrient=tag,
        unit=nutrients()[tag].unit,
        low=low,
        value=value,
        high=high,
        source=source,
        share_left=share,
        credited=(0.0, 0.0) if why is not None else (low, high),
        why_no_credit=why,
        start=start,
        days=days,
        rate=rate,
        since=fish.since if chosen is None else chosen.sampled_on,
        sampled_on=None if chosen is None else chosen.sampled_on,
        assay_id=None if chosen is None else chosen.assay_id,
        in_water=fish.in_water,
    )


def amounts_left(
    tag: str, start: Start, rate: LossRate | None, days: Band, *, in_water: bool
) -> Band:
    """What is left of a nutrient after days at -18 °C, shape of `days`."""
    left = content_left(start, rate, days)
    if in_water and tag in LEACHING:
        return Band(least_after_water_thaw(left.low), left.value, left.high)
    if tag in NEVER_CREDITED:  # no rate was read, and nothing was found
        return Band(np.zeros_like(left.value), left.value, left.high)
    return left


def _no_credit(fish: Fish, tag: str, may_credit: bool) -> str | None:
    """Why nothing of a nutrient counts; None where it does."""
    if tag == "THIA" and fish.thiaminase is not Thiaminase.ABSENT:
        return (
            f"thiaminase {fish.thiaminase} ({fish.thiaminase_from}): "
            "no credit, thiamine is destroyed after thaw"
        )
    if tag in WEAK_EVIDENCE and not may_credit:
        return "the site's policy gives no credit: evidence is weak"
    return NEVER_CREDITED.get(tag)


def thiaminase_of(species: str, test: tuple[date, bool] | None) -> tuple[Thiaminase, str]:
    """Whether a lot carries thiaminase, and who says so: its newest test, else its species.

    test : the day of the sample and whether any was found.
    """
    if test is None:
        return species_facts()[species].thiaminase, "species"
    day, found = test
    return (Thiaminase.PRESENT if found else Thiaminase.ABSENT), f"assay of {day}"
