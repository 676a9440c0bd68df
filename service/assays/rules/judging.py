"""Whether what a laboratory found lets a lot be fed: every test against its limits."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from math import inf

from service.assays.rules.limits import (
    HISTAMINE,
    THIAMINASE_SEEN_FROM,
    Limit,
    chemical_limits,
    histamine_plan,
    is_microbial,
    microbial_plan,
)
from service.assays.rules.readings import Reading
from service.catalogue.rules import SpeciesFacts
from service.decisions import Finding, Outcome
from service.science.sampling import (
    HistamineResult,
    Verdict,
    histamine,
    pooled_histamine,
    three_class,
)
from service.site.rules import finding

UNLIKELY_TIMES = 1000.0  # mg for µg, or per 100 g for per kg twice over: a slip of a unit


@dataclass(frozen=True)
class Measured:
    """One test of one lot: its readings in the unit of its limits, samples pooled in each."""

    test: str
    readings: tuple[Reading, ...]
    pooled: int = 1


def judge(tests: Iterable[Measured], species: SpeciesFacts) -> list[Finding]:
    """All findings of an assay's tests. A blocking one holds the lot.

    A test without a limit for this fish gives no finding: none is invented.
    """
    return [found for test in tests for found in _judge(test, species)]


def _judge(test: Measured, species: SpeciesFacts) -> Iterator[Finding]:
    if is_microbial(test.test):
        yield from _microbes(test, species)
        return
    if test.test == HISTAMINE and species.histamine_plan_eu:
        yield _histamine(test, histamine_plan())
    for limit in chemical_limits(species, test.test):
        yield _single(test, limit)


def verdict_of(findings: Sequence[Finding]) -> str | None:
    """What the findings of one test come to: reject, warn, accept; None where nothing is judged.

    >>> verdict_of([]) is None
    True
    """
    outcomes = {found.outcome for found in findings}
    if Outcome.BLOCK in outcomes:
        return "reject"
    if Outcome.WARN in outcomes:
        return "warn"
    return "accept" if outcomes else None


def seen(readings: Sequence[Reading], limit: float) -> list[float]:
    """What the readings count as, without those whose detection limit hides the limit.

    A "<10" counts as 5 in a mean and is not above 10; a "<300" says nothing about 100.

    >>> seen([Reading(10, "<"), Reading(300, "<"), Reading(80)], 100)
    [5.0, 80]
    """
    return [r.counted for r in readings if not (r.below and r.amount > limit)]


def has_thiaminase(readings: Sequence[Reading]) -> bool:
    """Whether a sample may carry thiaminase: any reading that is not a clear no.

    >>> has_thiaminase([Reading(0, word="absent"), Reading(0.5, "<")])
    False
    >>> has_thiaminase([Reading(2.5)]), has_thiaminase([Reading(20, "<")])
    (True, True)
    """
    return any(
        r.mark == ">" or (r.amount > (THIAMINASE_SEEN_FROM if r.below else 0)) for r in readings
    )


def _histamine(test: Measured, plan: Limit) -> Finding:
    screen = plan.largest / test.pooled
    values = seen(test.readings, screen)
    samples = len(values) * test.pooled
    numbers: dict[str, float | str | None] = {
        "samples": float(samples),
        "wanted": float(plan.samples),
        "highest": max(values, default=None),
        "limit": plan.largest,
        "never_above": plan.unacceptable,
    }
    if not values:
        return _blind(HISTAMINE, test, screen, plan.source)
    found = _histamine_result(values, test.pooled, plan)
    numbers |= {"mean": float(f"{found.mean:.6g}"), "between": float(found.between)}
    said = f"histamine: mean {found.mean:.4g} mg/kg, highest {max(values):.4g}"
    if found.verdict is Verdict.REJECT:
        return finding(
            "histamine",
            "block",
            f"{said}; the mean may be {plan.largest:g}, {plan.allowed} of {plan.samples} above it, "
            f"none above {plan.unacceptable:g}",
            numbers=numbers,
            source=plan.source,
        )
    if found.verdict is Verdict.ACCEPT:
        return finding("histamine", "pass", said, numbers=numbers, source=plan.source)
    if samples >= plan.samples:
        return finding(
            "histamine",
            "block",
            f"{said} in {test.pooled} samples pooled, where {screen:.4g} clears them: "
            "held until they are measured one by one",
            numbers=numbers | {"screen": float(f"{screen:.6g}")},
            source=plan.source,
        )
    return finding(
        "histamine",
        "warn",
        f"{said}; {samples} of {plan.samples} samples decide nothing",
        numbers=numbers,
        source=plan.source,
    )


def _histamine_result(values: Sequence[float], pooled: int, plan: Limit) -> HistamineResult:
    assert plan.marginal is not None and plan.unacceptable is not None
    if pooled > 1:
        return pooled_histamine(
            values,
            pooled=pooled,
            samples=plan.samples,
            allowed=plan.allowed,
            lower=plan.marginal,
            upper=plan.unacceptable,
        )
    return histamine(
        values,
        samples=plan.samples,
        allowed=plan.allowed,
        lower=plan.marginal,
        upper=plan.unacceptable,
    )


def _microbes(test: Measured, species: SpeciesFacts) -> Iterator[Finding]:
    plan = microbial_plan(species, test.test)
    if plan is None:
        return
    values = seen(test.readings, plan.largest)
    name = test.test.replace("_", " ")
    if not values:
        yield _blind("microbial", test, plan.largest, plan.source)
        return
    verdict = three_class(
        values,
        samples=plan.samples,
        allowed=plan.allowed,
        marginal=plan.largest,
        unacceptable=inf if plan.unacceptable is None else plan.unacceptable,
    )
    above = sum(v > plan.largest for v in values)
    never = "" if plan.unacceptable is None else f", none above {plan.unacceptable:g}"
    said = (
        f"{name}: {above} of {len(values)} above {plan.largest:g} {plan.unit}, "
        f"highest {max(values):.4g}; {plan.allowed} of {plan.samples} may be{never}"
    )
    outcome = {
        Verdict.ACCEPT: "pass",
        Verdict.REJECT: "block" if plan.holds else "warn",
        Verdict.UNDECIDED: "warn",
    }[verdict]
    yield finding(
        "microbial",
        outcome,
        said,
        numbers={
            "test": test.test,
            "samples": float(len(values)),
            "wanted": float(plan.samples),
            "above": float(above),
            "allowed": float(plan.allowed),
            "limit": plan.largest,
            "never_above": plan.unacceptable,
            "highest": max(values),
        },
        source=plan.source,
    )


def _single(test: Measured, limit: Limit) -> Finding:
    values = seen(test.readings, limit.largest)
    if not values:
        return _blind("chemical-limit", test, limit.largest, limit.source)
    highest = max(values)
    name = test.test.replace("_", " ")
    beyond = highest > limit.largest
    return finding(
        "chemical-limit",
        ("block" if limit.holds else "warn") if beyond else "pass",
        f"{name}: {highest:.4g} {limit.unit}, limit {limit.largest:g} ({limit.matrix})",
        numbers={"test": test.test, "highest": highest, "limit": limit.largest},
        source=limit.source,
    )


def _blind(rule: str, test: Measured, limit: float, source: str) -> Finding:
    return Finding(
        rule=rule,
        outcome=Outcome.WARN,
        because=f"{test.test.replace('_', ' ')}: its detection limit is above {limit:.4g}: "
        "it says nothing",
        numbers={"test": test.test, "limit": limit},
        source=source,
    )


def is_unlikely(amount: float, usual: float | None) -> bool:
    """Whether a content is a thousand times the usual, or a thousandth of it.

    A printed 0 is no slip of a unit, and where nothing is usual nothing is unlikely.

    >>> is_unlikely(9000, 9.0), is_unlikely(0.009, 9.0), is_unlikely(0, 9.0), is_unlikely(30, 9.0)
    (True, True, False, False)
    """
    if not usual or amount == 0:
        return False
    return amount >= usual * UNLIKELY_TIMES or amount <= usual / UNLIKELY_TIMES
