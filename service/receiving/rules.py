"""What an arriving lot is asked: catch date, core temperatures, age, label date."""

from collections.abc import Iterator, Sequence
from datetime import date

from service.decisions import Finding
from service.lots.rules import LotFacts, ReceivedAs, age_findings
from service.quantities import Temperature, TemperatureLimit
from service.site.rules import Policy, finding


def receiving_findings(
    lot: LotFacts,
    *,
    received_as: ReceivedAs,
    cores: Sequence[Temperature],
    best_before: date | None,
    policy: Policy,
    on: date,
) -> list[Finding]:
    """All findings of one arriving lot. A blocking one holds it."""
    findings = [_catch_date(lot)]
    if received_as is ReceivedAs.FROZEN:
        findings += [_core(cores, policy), _core_count(cores, policy)]
    findings += age_findings(lot, policy, on, outcome="warn")
    findings += _label_date(best_before, on)
    return findings


def _catch_date(lot: LotFacts) -> Finding:
    if lot.caught_from is not None:
        return finding(
            "catch-date-missing",
            "pass",
            f"caught from {lot.caught_from}",
            numbers={"caught_from": str(lot.caught_from)},
        )
    basis = f"; age counts from freezing on {lot.frozen_on}" if lot.frozen_on else ""
    return finding("catch-date-missing", "block", f"no catch date: held until released{basis}")


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
