"""What an arriving lot is asked: catch date, core temperatures, age, label date."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date

from service.decisions import Finding
from service.lots.rules import AgeBasis, LotFacts, ReceivedAs, age_findings
from service.quantities import Temperature, TemperatureLimit
from service.site.rules import Policy, finding


@dataclass(frozen=True)
class Papers:
    """What the papers of a load say.

    compared: (what, papers, came) of a line's cartons and kilograms. valid_until:
    (kind, number, day) of certificates.
    """

    compared: tuple[tuple[str, float, float], ...] = ()
    valid_until: tuple[tuple[str, str, date], ...] = ()


NO_PAPERS = Papers()


def receiving_findings(
    lot: LotFacts,
    *,
    received_as: ReceivedAs,
    cores: Sequence[Temperature],
    best_before: date | None,
    policy: Policy,
    on: date,
    age_basis: AgeBasis | None = None,
    caught_to: date | None = None,
    papers: Papers = NO_PAPERS,
) -> list[Finding]:
    """All findings of one arriving lot. A blocking one holds it."""
    findings = [_catch_date(lot, age_basis), *_catch_range(lot, caught_to, policy)]
    findings += _papers(papers, policy, on)
    if received_as is ReceivedAs.FROZEN:
        findings += core_findings(cores, policy)
    findings += age_findings(lot, policy, on, outcome="warn")
    findings += _label_date(best_before, on)
    return findings


def _catch_date(lot: LotFacts, age_basis: AgeBasis | None) -> Finding:
    if lot.caught_from is not None:
        return finding(
            "catch-date-missing",
            "pass",
            f"{age_basis or AgeBasis.CAUGHT} from {lot.caught_from}",
            numbers={"caught_from": str(lot.caught_from)},
        )
    if age_basis is AgeBasis.FROZEN:
        return finding(
            "catch-date-missing",
            "warn",
            f"no catch date: age counts from freezing on {lot.frozen_on}, as was stated",
            numbers={"frozen_on": str(lot.frozen_on)},
        )
    basis = f"; age counts from freezing on {lot.frozen_on}" if lot.frozen_on else ""
    return finding("catch-date-missing", "block", f"no catch date: held until released{basis}")


def _catch_range(lot: LotFacts, caught_to: date | None, policy: Policy) -> Iterator[Finding]:
    """Mixed catch dates: age counts from the earliest day."""
    if lot.caught_from is None or caught_to is None:
        return
    days = (caught_to - lot.caught_from).days
    if days > policy.catch_range_days:
        yield finding(
            "catch-range-wide",
            "warn",
            f"caught over {days} days: age counts from the earliest, {lot.caught_from}",
            numbers={"days": float(days), "limit_days": policy.catch_range_days},
        )


def _papers(papers: Papers, policy: Policy, on: date) -> Iterator[Finding]:
    """What came against what the papers say, and papers that have lapsed."""
    for what, said, came in papers.compared:
        percent = 100 * (came - said) / said
        outcome = "block" if abs(percent) > policy.papers_tolerance_percent else "pass"
        numbers = {"came": came, "papers": said, "limit_percent": policy.papers_tolerance_percent}
        yield finding(
            "papers-differ",
            outcome,
            f"{came:g} {what} came, the papers say {said:g}: {percent:+.1f} %",
            numbers=numbers,
        )
    for kind, number, until in papers.valid_until:
        if until < on:
            yield finding(
                "certificate-lapsed",
                "warn",
                f"{kind} {number} was valid until {until}",
                numbers={"valid_until": str(until)},
            )


def core_findings(cores: Sequence[Temperature], policy: Policy) -> list[Finding]:
    """Of the cores of one frozen lot: whether they are cold enough, and enough of them."""
    return [_core(cores, policy), _core_count(cores, policy)]


def _core(cores: Sequence[Temperature], policy: Policy) -> Finding:
    if not cores:
        return finding("core-too-warm", "warn", "no core temperature was measured")
    cold, limit = (
        TemperatureLimit(policy.receive_core_hold),
        TemperatureLimit(policy.receive_core_reject),
    )
    warmest = max(cores, key=lambda t: t.c)
    numbers = {"warmest_c": round(warmest.c, 2), "warn_above_c": cold.c, "hold_above_c": limit.c}
    if not all(limit.passed_by(t) for t in cores):
        return finding(
            "core-too-warm",
            "block",
            f"a core of {_said(warmest)} is warmer than {limit.c:g} °C: held; propose rejection",
            numbers=numbers,
        )
    if not all(cold.passed_by(t) for t in cores):
        return finding(
            "core-too-warm",
            "warn",
            f"a core of {_said(warmest)} is warmer than {cold.c:g} °C",
            numbers=numbers,
        )
    return finding(
        "core-too-warm", "pass", f"the warmest core is {_said(warmest)}", numbers=numbers
    )


def _said(temperature: Temperature) -> str:
    return f"{temperature.value} °{temperature.unit.upper()}"


def _core_count(cores: Sequence[Temperature], policy: Policy) -> Finding:
    wanted = int(policy.receive_cartons_core_n)
    numbers = {"measured": float(len(cores)), "wanted": float(wanted)}
    if len(cores) < wanted:
        return finding(
            "core-count",
            "warn",
            f"{len(cores)} of {wanted} cores were measured: front, middle and back of the load",
            numbers=numbers,
        )
    return finding("core-count", "pass", f"{len(cores)} cores were measured", numbers=numbers)


def _label_date(best_before: date | None, on: date) -> Iterator[Finding]:
    if best_before is None:
        return
    numbers = {"best_before": str(best_before)}
    if best_before < on:
        yield finding("past-label-date", "warn", f"best before {best_before}", numbers=numbers)
    else:
        yield finding("past-label-date", "pass", f"best before {best_before}", numbers=numbers)
