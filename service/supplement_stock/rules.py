"""What a batch is, how its books add up, and whether it may be given."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from math import ceil, inf

from service.catalogue.rules import DoseForm, nutrients
from service.decisions import Finding
from service.site.rules import Policy, finding

MILLI = 1000
SAME = 1e-6  # of a strength: what differs less is the same number, written otherwise
MOST_UNLIKE = 10  # times: of what a batch contains against its product [our default]
LONGEST_LIFE = timedelta(days=3653)  # ten years: no supplement is dated further [our default]
LOOKED_BACK = timedelta(days=14)  # what was used in them says what is used in a day


class Kind(StrEnum):
    """What came to a batch or went from it."""

    RECEIVED = "received"
    GIVEN = "given"
    WASTED = "wasted"  # dropped, spat out, broken
    DISCARDED = "discarded"
    COUNTED = "counted"
    REVERSED = "reversed"


class State(StrEnum):
    """Whether a batch can be used."""

    USABLE = "usable"
    EXPIRES_SOON = "expires_soon"
    EXPIRED = "expired"
    USED_UP = "used_up"


class ConcernKind(StrEnum):
    """What is told of supplements."""

    EXPIRES_SOON = "expires_soon"
    EXPIRED = "expired"
    RUNS_OUT = "runs_out"


@dataclass(frozen=True)
class Batch:
    """One batch of a product at a site.

    contents: what a piece, gram or millilitre of it contains, by tag in amount units.
    left: pieces, grams or millilitres by the books. expires_on: the last day on which it may
    be given. price: of one piece, gram or millilitre in `currency`.
    """

    id: int
    site_id: int
    product_id: int
    code: str
    expires_on: date
    contents: Mapping[str, float]
    left: float
    price: float | None = None
    currency: str | None = None


@dataclass(frozen=True)
class Taken:
    """Pieces, grams or millilitres that left a batch to be given, or were lost on the way.

    why: given or wasted. reference: what the caller knows it by, such as "given 31"; by it
    it is taken back. occurred_at: None for the instant of recording.
    """

    batch_id: int
    count: float
    why: Kind = Kind.GIVEN
    reference: str | None = None
    occurred_at: datetime | None = None


@dataclass(frozen=True)
class Entry:
    """One thing that happened to a batch: what came or went, or what was counted."""

    occurred_at: datetime
    number: int
    milli: int = 0
    counted_milli: int | None = None


@dataclass(frozen=True)
class Balance:
    """What entries leave, and the most that one of them took which was not there."""

    milli: int
    short: int = 0


def in_milli(count: float) -> int:
    """Whole thousandths of a count. Raises ValueError for a finer one.

    >>> in_milli(0.5), in_milli(2.345)
    (500, 2345)
    """
    milli = round(count * MILLI)
    if abs(count * MILLI - milli) > 1e-6 * max(1.0, abs(count)):
        raise ValueError("is kept in thousandths: at most three decimals")
    return milli


STEP = {DoseForm.TABLET: 500, DoseForm.CAPSULE: MILLI}
"""In what steps, in thousandths, stock is counted: half tablets at most, whole capsules."""


def stock_milli(form: DoseForm, count: float) -> int:
    """Thousandths of what somebody counted. Raises ValueError for parts that nobody counts."""
    milli = in_milli(count)
    if milli % STEP.get(form, 1):
        of = "whole or half tablets" if form is DoseForm.TABLET else "whole capsules"
        raise ValueError(f"stock is counted in {of}")
    return milli


def pieces(milli: int) -> float:
    """Thousandths as a count of pieces, grams or millilitres."""
    return milli / MILLI


def key_of(code: str) -> str:
    """A maker's batch code as it is compared: capitals, without spaces.

    >>> key_of(" Lot 12-a")
    'LOT12-A'
    """
    return "".join(code.split()).upper()


def balance(entries: Sequence[Entry]) -> Balance:
    """What entries leave behind, in the order in which they happened.

    A fact that takes more than the books know leaves nothing, since what it took was
    evidently there; a count holds, whatever the books said.

    >>> noon, one = datetime(2031, 5, 1, 12), datetime(2031, 5, 1, 13)
    >>> balance([Entry(one, 2, milli=-3), Entry(noon, 1, milli=2), Entry(one, 3, milli=5)])
    Balance(milli=5, short=1)
    """
    milli = short = 0
    for entry in sorted(entries, key=lambda e: (e.occurred_at, e.number)):
        if entry.counted_milli is not None:
            milli = entry.counted_milli
            continue
        milli += entry.milli
        short = max(short, -milli)
        milli = max(0, milli)
    return Balance(milli, short)


def state_of(batch: Batch, on: date, policy: Policy) -> State:
    """Whether a batch can be used on a day."""
    if batch.left <= 0:
        return State.USED_UP
    if on > batch.expires_on:
        return State.EXPIRED
    return State.EXPIRES_SOON if on >= warned_from(batch.expires_on, policy) else State.USABLE


def warned_from(expires_on: date, policy: Policy) -> date:
    """The day from which it is told that a batch expires."""
    return expires_on - timedelta(days=policy.supplement_expiry_warn_days)


def usable(batch: Batch, on: date) -> Iterator[Finding]:
    """`supplement-expired` where a batch is past its date on a day; its last day is good."""
    if on > batch.expires_on:
        yield finding(
            "supplement-expired",
            "block",
            f"batch {batch.code} expired on {batch.expires_on}",
            numbers={"expires_on": str(batch.expires_on), "on": str(on)},
        )


def expiry(batch: Batch, on: date, policy: Policy) -> Iterator[Finding]:
    """`usable`, and a warning in the policy's days before."""
    yield from usable(batch, on)
    if warned_from(batch.expires_on, policy) <= on <= batch.expires_on:
        days = (batch.expires_on - on).days
        yield finding(
            "supplement-expired",
            "warn",
            f"batch {batch.code} expires on {batch.expires_on}, in {days} days",
            numbers={"days": days, "warned_days": policy.supplement_expiry_warn_days},
        )


def same_strength(batch: Batch, planned: Mapping[str, float]) -> Iterator[Finding]:
    """`strength-differs` for each nutrient of which the batch contains another amount than was
    planned with; a nutrient that is not named is none."""
    for tag, here, there in _differences(batch.contents, planned):
        yield finding(
            "strength-differs",
            "block",
            f"batch {batch.code} contains {_amount(tag, here)} of {tag}, "
            f"the plan counts on {_amount(tag, there)}: plan again",
            numbers={"batch": here, "planned": there, "nutrient": tag},
        )


def unlike_product(batch: Batch, product: Mapping[str, float]) -> Iterator[Finding]:
    """A warning for each nutrient of which a batch contains another amount than its product."""
    for tag, here, there in _differences(batch.contents, product):
        yield finding(
            "strength-differs",
            "warn",
            f"batch {batch.code} contains {_amount(tag, here)} of {tag}, "
            f"the product {_amount(tag, there)}",
            numbers={"batch": here, "product": there, "nutrient": tag},
        )


def _differences(
    here: Mapping[str, float], there: Mapping[str, float]
) -> Iterator[tuple[str, float, float]]:
    for tag in sorted({*here, *there}):
        one, other = here.get(tag, 0.0), there.get(tag, 0.0)
        if abs(one - other) > SAME * max(one, other):
            yield tag, one, other


def _amount(tag: str, amount: float) -> str:
    return f"{amount:g} {nutrients()[tag].amount_unit}"


def no_such_batch(batch: Mapping[str, float], product: Mapping[str, float]) -> str | None:
    """Why these contents are not of a batch of that product; None where they may be.

    A batch differs a little from its product. Ten times more or less is a slip of the pen or
    another product, and what is not named would be taken for nothing.
    """
    for tag, there in product.items():
        here = batch.get(tag)
        if here is None:
            return f"the product contains {tag}: say how much this batch does"
        if not there / MOST_UNLIKE <= here <= there * MOST_UNLIKE:
            return (
                f"{_amount(tag, here)} of {tag} against {_amount(tag, there)} of the product: "
                "a slip, or another product"
            )
    return None


def next_to_use(batches: Sequence[Batch], on: date) -> Batch | None:
    """First expired, first out: the batch to use next on a day; None if none can be."""
    good = [b for b in batches if b.left > 0 and on <= b.expires_on]
    return min(good, key=lambda b: (b.expires_on, b.id), default=None)


def days_of_stock(batches: Sequence[Batch], daily: float, on: date) -> float:
    """For how many days stock lasts, the first to expire used first, nothing past its date.

    inf where nothing is used. Today counts as one of the days.

    >>> jar = Batch(1, 1, 1, "A", date(2031, 5, 4), {}, 100.0)
    >>> days_of_stock([jar], 10, date(2031, 5, 1)), days_of_stock([jar], 50, date(2031, 5, 1))
    (4.0, 2.0)
    """
    if daily <= 0:
        return inf
    days = 0.0
    for batch in sorted(batches, key=lambda b: (b.expires_on, b.id)):
        good_until = (batch.expires_on - on).days + 1
        days = max(days, min(days + batch.left / daily, float(good_until)))
    return days


@dataclass(frozen=True)
class Concern:
    """Something to be told of the supplements of a site."""

    kind: ConcernKind
    product_id: int
    because: str
    batch_id: int | None = None

    @property
    def key(self) -> tuple[str, int, int | None]:
        """By which it is known from one look to the next."""
        return str(self.kind), self.product_id, self.batch_id


def daily_use(used: float, first_day: date | None, on: date) -> float:
    """What is used in a day: over the days since the first of them, at most `LOOKED_BACK`.

    first_day: of what was used in them; None where nothing was.
    """
    if first_day is None:
        return 0.0
    return used / max(1, min(LOOKED_BACK.days, (on - first_day).days + 1))


def runs_out(days: float, policy: Policy) -> bool:
    """Whether stock that lasts for so many days is told."""
    return ceil(days) <= policy.supplement_runs_out_days
