"""What an arriving lot is asked, by plain facts.

Core of -18 °C or colder: Reg. (EC) 853/2004 and CXS 36-1981 [read]; -15 °C as
tolerance of transport [memory, high]; a missing catch date holds: Nijboer,
Merck Veterinary Manual [read].
"""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.decisions import Finding, Outcome
from service.lots.rules import LotFacts, ReceivedAs
from service.quantities import parse_temperature
from service.receiving.rules import receiving_findings
from service.site.rules import default_policy

TODAY = date(2031, 3, 1)
COLD = ("-20 °C", "-21 °C", "-19 °C")


def arrived(
    *,
    cores: tuple[str, ...] = COLD,
    received_as: ReceivedAs = ReceivedAs.FROZEN,
    caught: date | None = date(2031, 1, 1),
    frozen: date | None = None,
    best_before: date | None = None,
) -> dict[str, Finding]:
    """The findings by rule of a lot of herring that arrives today."""
    lot = LotFacts(
        code="L1",
        species="HER",
        part="whole",
        size_grade=None,
        fat_group="fatty",
        caught_from=caught,
        frozen_on=frozen,
        received_on=TODAY,
        held=False,
        rejected=False,
    )
    found = receiving_findings(
        lot,
        received_as=received_as,
        cores=[parse_temperature(c) for c in cores],
        best_before=best_before,
        policy=default_policy(),
        on=TODAY,
    )
    assert len({f.rule for f in found}) == len(found), "each rule answers once"
    return {f.rule: f for f in found}


def test_cold_young_fish_of_known_catch_passes_every_question() -> None:
    found = arrived(best_before=TODAY)
    assert set(found) == {
        "catch-date-missing",
        "core-too-warm",
        "core-count",
        "past-age-limit",
        "past-label-date",
    }
    assert {f.outcome for f in found.values()} == {Outcome.PASS}


@pytest.mark.parametrize(
    ("warmest", "outcome"),
    [
        ("-18 °C", Outcome.PASS),
        ("-17.9 °C", Outcome.WARN),
        ("-15 °C", Outcome.WARN),
        ("-14.9 °C", Outcome.BLOCK),
        ("0 °F", Outcome.PASS),  # the regulation's own figure beside -18 °C
        ("0.1 °F", Outcome.WARN),
        ("5 °F", Outcome.WARN),  # exactly -15 °C
        ("5.1 °F", Outcome.BLOCK),
    ],
)
def test_one_warm_core_among_cold_ones_decides(warmest: str, outcome: Outcome) -> None:
    for cores in ((*COLD, warmest), (warmest, *COLD)):
        assert arrived(cores=cores)["core-too-warm"].outcome is outcome


def test_a_warm_core_is_said_as_it_was_measured_with_both_limits() -> None:
    found = arrived(cores=("-20 °C", "9 °F", "-19 °C"))["core-too-warm"]
    assert "9 °F" in found.because
    assert found.numbers == {"warmest_c": -12.78, "warn_above_c": -18.0, "hold_above_c": -15.0}
    assert found.may_override == ("manager",)


@given(st.floats(-40, 10), st.floats(0, 30))
def test_a_warmer_core_never_gets_a_milder_answer(core_c: float, by: float) -> None:
    harder = [Outcome.PASS, Outcome.WARN, Outcome.BLOCK]
    here, warmer = (
        harder.index(arrived(cores=(f"{c:.3f} °C",))["core-too-warm"].outcome)
        for c in (core_c, core_c + by)
    )
    assert warmer >= here


def test_no_core_measured_warns_and_does_not_hold() -> None:
    found = arrived(cores=())
    assert found["core-too-warm"].outcome is Outcome.WARN
    assert "no core" in found["core-too-warm"].because


@pytest.mark.parametrize(("count", "outcome"), [(0, "warn"), (2, "warn"), (3, "pass"), (4, "pass")])
def test_fewer_than_three_cores_warn_by_their_own_rule(count: int, outcome: str) -> None:
    found = arrived(cores=("-20 °C",) * count)["core-count"]
    assert found.outcome == outcome
    assert found.numbers == {"measured": float(count), "wanted": 3.0}


@pytest.mark.parametrize("state", [ReceivedAs.CHILLED, ReceivedAs.LIVE, ReceivedAs.DRY])
def test_only_frozen_fish_is_asked_for_its_core(state: ReceivedAs) -> None:
    found = arrived(received_as=state, cores=())
    assert "core-too-warm" not in found and "core-count" not in found


def test_without_a_catch_date_the_lot_is_held_until_somebody_releases_it() -> None:
    found = arrived(caught=None)["catch-date-missing"]
    assert found.outcome is Outcome.BLOCK
    assert set(found.may_override) == {"vet", "manager"}


def test_a_date_of_freezing_is_a_stated_basis_and_still_holds() -> None:
    found = arrived(caught=None, frozen=date(2031, 1, 20))
    assert found["catch-date-missing"].outcome is Outcome.BLOCK
    assert "freezing on 2031-01-20" in found["catch-date-missing"].because
    assert found["past-age-limit"].numbers["age_days"] == 40


def test_fish_that_arrives_too_old_warns_because_it_is_blocked_when_it_is_used() -> None:
    # 6 months × 30.4375 = 182.625 days
    for days, outcome in ((182, Outcome.PASS), (183, Outcome.WARN)):
        caught = TODAY - timedelta(days=days)
        assert arrived(caught=caught)["past-age-limit"].outcome is outcome


@pytest.mark.parametrize(("days", "outcome"), [(-1, "warn"), (0, "pass"), (30, "pass")])
def test_a_label_date_of_yesterday_warns_and_of_today_passes(days: int, outcome: str) -> None:
    # 9 CFR 3.101(d) [read]: not beyond the label date
    found = arrived(best_before=TODAY + timedelta(days=days))["past-label-date"]
    assert found.outcome == outcome


def test_a_carton_without_a_label_date_is_not_asked_for_it() -> None:
    assert "past-label-date" not in arrived()
