"""What a lot is, how its code is made, and whether its fish may be used."""

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from service.decisions import Finding
from service.site.rules import Policy, UseOrder, finding


class LotStatus(StrEnum):
    """Where a lot stands."""

    ACCEPTED = "accepted"
    HELD = "held"
    REJECTED = "rejected"
    USED_UP = "used_up"


class ReceivedAs(StrEnum):
    """In which state fish arrived."""

    FROZEN = "frozen"
    CHILLED = "chilled"
    LIVE = "live"
    DRY = "dry"


class AgeBasis(StrEnum):
    """What the days of a lot are the days of."""

    CAUGHT = "caught"
    HARVESTED = "harvested"
    FROZEN = "frozen"


class Portion(StrEnum):
    """What of the fish a laboratory had."""

    WHOLE = "whole"
    FILLET = "fillet"


@dataclass(frozen=True)
class LotFacts:
    """What the rules need to know of a lot."""

    code: str
    species: str
    part: str
    size_grade: str | None
    fat_group: str
    caught_from: date | None
    frozen_on: date | None
    received_on: date
    held: bool
    rejected: bool

    @property
    def age_from(self) -> date | None:
        """The day that age counts from: the catch, else the freezing."""
        return self.caught_from or self.frozen_on

    def age_days(self, on: date) -> int | None:
        """Days of age on a civil day; None where no day is known."""
        return None if self.age_from is None else (on - self.age_from).days

    def use_key(self, order: UseOrder) -> tuple[date, date]:
        """Lots are used in the ascending order of this; equal catch dates never block."""
        caught = self.age_from or date.max
        if order is UseOrder.FIRST_RECEIVED:
            return (self.received_on, self.received_on)
        return (caught, caught)


def wrong_days(
    arrived_on: date, caught_from: date | None, caught_to: date | None, frozen_on: date | None
) -> Iterator[tuple[str, str]]:
    """(field, reason) of every day of a lot that cannot be.

    >>> list(wrong_days(date(2026, 9, 1), date(2026, 9, 2), None, None))
    [('caught_from', '2026-09-02 lies after the arrival on 2026-09-01')]
    """
    days = {"caught_from": caught_from, "caught_to": caught_to, "frozen_on": frozen_on}
    for field, day in days.items():
        if day is not None and day > arrived_on:
            yield field, f"{day} lies after the arrival on {arrived_on}"
    if caught_to is not None and caught_from is None:
        yield "caught_from", "is missing while caught_to is given"
    if caught_to is not None and caught_from is not None and caught_to < caught_from:
        yield "caught_to", "lies before caught_from"
    if frozen_on is not None and caught_from is not None and frozen_on < caught_from:
        yield "frozen_on", "lies before the catch"


def may_use(lot: LotFacts, policy: Policy, on: date) -> Iterator[Finding]:
    """Holds and age: the first questions about fish in a freezer."""
    yield from hold_findings(lot)
    yield from age_findings(lot, policy, on)


def hold_findings(lot: LotFacts) -> Iterator[Finding]:
    """Whether a lot is rejected or on hold."""
    if lot.rejected:
        yield finding("lot-on-hold", "block", f"lot {lot.code} was rejected")
    elif lot.held:
        yield finding("lot-on-hold", "block", f"lot {lot.code} is on hold")


def age_findings(
    lot: LotFacts, policy: Policy, on: date, *, outcome: str = "block"
) -> Iterator[Finding]:
    """Whether the fish is past its age limit; a limit in months is inclusive."""
    age = lot.age_days(on)
    if age is None:
        return
    limit = policy.age_limit_days(lot.fat_group)
    numbers: dict[str, float | str | None] = {
        "age_days": float(age),
        "limit_days": round(limit, 1),
        "counted_from": str(lot.age_from),
    }
    if age > limit:
        yield finding(
            "past-age-limit",
            outcome,
            f"lot {lot.code} is {age} days old; "
            f"{limit:.1f} days are allowed for {lot.fat_group} fish",
            numbers=numbers,
        )
    else:
        yield finding("past-age-limit", "pass", f"{age} of {limit:.0f} days", numbers=numbers)


_SEPARATORS = frozenset("./\\_·•\u2044\u2215\u2212")  # beside every space and every dash
_ONES = str.maketrans("IL", "11")
_LEADING_ZEROS = re.compile(r"(?<![0-9])0+(?=[0-9])")
LOOK_ALIKE_RULE = (
    "Exact: the same letters, digits and signs in any case and width (Unicode NFKC), whatever "
    "spaces, dashes, dots and slashes stand between them. Look-alike: the same besides O read "
    "as 0, I and L read as 1, and zeros left out that lead a run of digits, whether or not what "
    "stands between runs was written down."
)


def plain_supplier_lot(written: str) -> str:
    """A supplier's lot code without case, width, spaces, dashes, dots and slashes.

    Two codes with the same plain text are the same code.

    >>> plain_supplier_lot(" a-007.b/２ "), plain_supplier_lot("A007 B2")
    ('A007B2', 'A007B2')
    """
    kept = "".join(c for c in _upper(written) if not _separates(c))
    return unicodedata.normalize("NFKC", kept)


def supplier_lot_readings(written: str) -> frozenset[str]:
    """The ways in which a supplier's lot code may be read; look-alikes share one.

    Codes come from wet labels, faxes and telephones. A zero leads a run of digits
    or not by what is taken to stand before it: a separator that somebody left out,
    an O or L that is a letter or a digit.

    >>> sorted(supplier_lot_readings("A1-007")), sorted(supplier_lot_readings("a 1.7"))
    (['A1007', 'A17'], ['A17'])
    """
    spelled = "".join(c if c.isalnum() else " " for c in _upper(written))
    forms = {spelled, spelled.replace(" ", "")}
    forms |= {form.translate(_ONES) for form in forms}
    forms |= {form.replace("O", "0") for form in forms}
    shortened = (_LEADING_ZEROS.sub("", form).replace(" ", "") for form in forms)
    return frozenset(_as_digits(form) for form in shortened) - {""}


def supplier_lot_key(written: str | None) -> str | None:
    """What all readings of a supplier's lot code have in common; stored with the lot.

    Without any zero, so that it finds every look-alike, and some others that the
    readings then tell apart. None where nothing is left to find it by.

    >>> supplier_lot_key("LOT-0O7"), supplier_lot_key("l0t 7"), supplier_lot_key("--")
    ('1T7', '1T7', None)
    """
    letters = _as_digits("".join(c for c in _upper(written or "") if c.isalnum()))
    return letters.replace("0", "") or ("0" if letters else None)


def _upper(written: str) -> str:
    # Taken apart, so that no mark joins another letter when what stood between is left out.
    upper = unicodedata.normalize("NFKD", unicodedata.normalize("NFKD", written).upper())
    return "".join(str(unicodedata.decimal(c)) if c.isdecimal() else c for c in upper)


def _as_digits(text: str) -> str:
    return text.translate(_ONES).replace("O", "0")


def _separates(character: str) -> bool:
    return character in _SEPARATORS or unicodedata.category(character) in ("Zs", "Pd", "Cc", "Cf")


# ISO/IEC 7064 MOD 37,36: a hybrid system with one check character for
# alphanumeric strings.
_ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ"  # without I and O, which look like digits


def check_character(text: str) -> str:
    """The ISO/IEC 7064 MOD 37,36 check character of upper-case letters and digits.

    Raises ValueError for any other character.

    >>> check_character("A12425GABC1234002")
    'M'
    """
    product = 36
    for character in text:
        total = (product + _ALPHABET.index(character)) % 36 or 36
        product = total * 2 % 37
    return _ALPHABET[(37 - product) % 36]


def check_holds(code: str) -> bool:
    """Whether a code ends in its own check character."""
    return (
        len(code) > 1
        and all(c in _ALPHABET for c in code)
        and check_character(code[:-1]) == code[-1]
    )


def numbered_code(prefix: str, number: int, letters: int) -> str:
    """A code: prefix, so many letters counted up, and the check character.

    Raises ValueError when the letters are used up.
    """
    base = len(_LETTERS)
    if not 0 <= number < base**letters:
        raise ValueError(f"no code is left for {prefix}")
    suffix = ""
    for _ in range(letters):
        number, place = divmod(number, base)
        suffix = _LETTERS[place] + suffix
    return prefix + suffix + check_character(prefix + suffix)
