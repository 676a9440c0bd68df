"""Which lots and products want a laboratory, and since when."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

from service.catalogue.rules import SpeciesFacts

DAYS_PER_MONTH = 30.4375
RESAMPLED_AT_MONTHS = (1, 3, 9)  # in store [read, Mejia-Fava]
RESAMPLE_EARLY_DAYS = 7  # a sample a week early is that month's; ours
RESIDUES_EVERY_DAYS = 365

# The set that every lot gets [common practice, memory medium]; energy follows from the others.
NUTRIENT_SET = ("WATER", "PROCNT", "FAT", "ASH", "VITA", "VITE", "THIA")
RANCIDITY = ("peroxide_value", "tbars")  # one of them
MICROBE_SET = ("aerobic_plate_count", "escherichia_coli", "salmonella")
RESIDUES = (("mercury_total",), ("pcb6_ndl", "dioxins_and_dl_pcb"))  # one of each, yearly
SET_SOURCE = "assay set: common practice, memory (medium)"
RESAMPLE_SOURCE = "months 1, 3 and 9 in store: Mejia-Fava [R]"
RESIDUES_SOURCE = "mercury and PCB yearly: common practice, memory (medium)"


class Due(StrEnum):
    """Why a laboratory is wanted."""

    FIRST_SET = "first-set"
    RESAMPLE = "resample"
    RESIDUES = "residues"


@dataclass(frozen=True)
class Sampled:
    """What was measured in one counted assay of a lot: nutrients and tests."""

    sampled_on: date
    measured: frozenset[str]


@dataclass(frozen=True)
class Wanted:
    """A laboratory is wanted since a day, for what is missing."""

    why: Due
    since: date
    missing: tuple[str, ...]
    source: str


def lot_wants(
    species: SpeciesFacts, received_on: date, assays: Sequence[Sampled], on: date
) -> Iterator[Wanted]:
    """What a lot on hand wants on a day: the rest of the set, and the sample of its last month.

    A month that has gone by without a sample cannot be made up: only the last one counts.

    >>> from service.catalogue.rules import species_facts
    >>> wants = lot_wants(species_facts()["CAP"], date(2026, 8, 1), [], date(2026, 11, 25))
    >>> [(w.why.value, str(w.since)) for w in wants]
    [('first-set', '2026-08-01'), ('resample', '2026-10-31')]
    """
    missing = tuple(missing_of_set(species, assays))
    if missing:
        yield Wanted(Due.FIRST_SET, received_on, missing, SET_SOURCE)
    since = [received_on + timedelta(days=m * DAYS_PER_MONTH) for m in RESAMPLED_AT_MONTHS]
    reached = [day for day in since if day <= on]
    if reached:
        early = reached[-1] - timedelta(days=RESAMPLE_EARLY_DAYS)
        if not any(assay.sampled_on >= early for assay in assays):
            yield Wanted(Due.RESAMPLE, reached[-1], (), RESAMPLE_SOURCE)


def missing_of_set(species: SpeciesFacts, assays: Sequence[Sampled]) -> Iterator[str]:
    """What of the set was never measured; histamine for the named families only."""
    have = {tag for assay in assays for tag in assay.measured}
    yield from (tag for tag in NUTRIENT_SET if tag not in have)
    if not have & set(RANCIDITY):
        yield RANCIDITY[0]
    if species.histamine_plan_eu and "histamine" not in have:
        yield "histamine"
    yield from (test for test in MICROBE_SET if test not in have)


def residues_wanted(last: Mapping[str, date], first_received: date, on: date) -> Wanted | None:
    """What a supplier's product wants yearly; `last` is the newest sample of each test.

    >>> residues_wanted({"mercury_total": date(2026, 3, 1)}, date(2026, 1, 1), date(2026, 11, 25))
    ... # doctest: +ELLIPSIS
    Wanted(why=<Due.RESIDUES: 'residues'>, since=datetime.date(2026, 1, 1), missing=('pcb6_ndl',)...
    """
    missing, since = [], []
    for tests in RESIDUES:
        known = [last[test] for test in tests if test in last]
        due = max(known) + timedelta(days=RESIDUES_EVERY_DAYS) if known else first_received
        if due <= on:
            missing.append(tests[0])
            since.append(due)
    if not missing:
        return None
    return Wanted(Due.RESIDUES, min(since), tuple(missing), RESIDUES_SOURCE)
