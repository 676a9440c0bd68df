"""What a correction changes, and what a carton that nobody can read is taken to be."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from service.decisions import Finding
from service.lots.rules import AgeBasis
from service.site.rules import finding

CORRECTABLE = ("caught_from", "caught_to", "frozen_on", "best_before", "supplier_lot", "age_basis")


@dataclass(frozen=True)
class Days:
    """The days of a lot as they are written."""

    caught_from: date | None
    caught_to: date | None
    frozen_on: date | None

    @property
    def age_from(self) -> date | None:
        """The day that age counts from: the catch, else the freezing."""
        return self.caught_from or self.frozen_on

    def with_changes(self, changes: Mapping[str, date | str]) -> "Days":
        """The days after a correction; a new catch date alone is one day."""
        said: dict[str, date | None] = vars(self) | {
            name: new
            for name, new in changes.items()
            if name in vars(self) and isinstance(new, date)
        }
        caught = said["caught_from"]
        if caught is not None and "caught_to" not in changes:
            said["caught_to"] = max(caught, self.caught_to or caught)
        return Days(**said)


def age_findings(before: Days, after: Days) -> Iterator[Finding]:
    """Whether a correction makes fish younger: then more than one person looks at it."""
    if before.age_from is None or after.age_from is None or after.age_from <= before.age_from:
        yield finding("younger-by-correction", "pass", "no younger than it was")
        return
    days = (after.age_from - before.age_from).days
    yield finding(
        "younger-by-correction",
        "block",
        f"would be {days} days younger: from {before.age_from} to {after.age_from}",
        numbers={"younger_days": float(days)},
    )


@dataclass(frozen=True)
class Candidate:
    """A lot that an unlabelled carton may be of."""

    code: str
    days: Days
    best_before: date | None
    barred: bool


@dataclass(frozen=True)
class Taken:
    """What an unlabelled carton is taken to be: of each day the earliest."""

    days: Days
    best_before: date | None
    age_basis: AgeBasis


def taken_as(candidates: Sequence[Candidate]) -> Taken:
    """The oldest of all that it may be; unknown where one of them is, or where there is none.

    >>> taken_as([]).days
    Days(caught_from=None, caught_to=None, frozen_on=None)
    """
    every = [candidate.days for candidate in candidates]
    best_before = _earliest([candidate.best_before for candidate in candidates])
    age_from = _earliest([days.age_from for days in every])
    if age_from is None:
        return Taken(Days(None, None, None), best_before, AgeBasis.CAUGHT)
    if any(days.caught_from == age_from for days in every):
        until = max(days.caught_to or days.caught_from or age_from for days in every)
        frozen = _earliest([days.frozen_on for days in every])
        frozen = None if frozen is None else max(frozen, age_from)
        return Taken(Days(age_from, until, frozen), best_before, AgeBasis.CAUGHT)
    return Taken(Days(None, None, age_from), best_before, AgeBasis.FROZEN)


def _earliest(days: Sequence[date | None]) -> date | None:
    known = [day for day in days if day is not None]
    return min(known) if known and len(known) == len(days) else None


def doubt_findings(candidates: Sequence[Candidate]) -> Iterator[Finding]:
    """Whether anybody may use it: not if nobody knows what it is, or one of them is barred."""
    if not candidates:
        yield finding("unreadable-label", "block", "no lot is plausible: held until somebody knows")
        return
    barred = [candidate.code for candidate in candidates if candidate.barred]
    if barred:
        yield finding(
            "unreadable-label", "block", f"may be of lot {', '.join(barred)}, which is held"
        )
        return
    names = ", ".join(candidate.code for candidate in candidates)
    yield finding("unreadable-label", "warn", f"may be of lot {names}: the oldest day counts")
