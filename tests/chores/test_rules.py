"""When a chore is due: laws and edges of the intervals."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.checks.rules import CheckKind, Method, passes
from service.chores.rules import (
    ChoreState,
    Tank,
    after_use,
    by_interval,
    container_due,
    tank_due,
)
from service.site.rules import default_policy

ZONE = ZoneInfo("Europe/Berlin")
POLICY = default_policy()
INSTANTS = st.datetimes(datetime(2026, 1, 1), datetime(2027, 12, 31), timezones=st.just(UTC))
ORDER = [ChoreState.IN_ORDER, ChoreState.DUE, ChoreState.OVERDUE]


def local(day: int, hour: int, month: int = 11) -> datetime:
    return datetime(2026, month, day, hour, tzinfo=ZONE)


def test_what_is_daily_is_due_each_day_and_overdue_when_a_day_went_by_without_it() -> None:
    last = local(24, 18)
    states = [
        (by_interval(last, 1, ZONE, at).state, at)
        for at in (local(24, 23), local(25, 1), local(25, 23), local(26, 0))
    ]
    assert [state for state, _ in states] == [
        ChoreState.IN_ORDER,
        ChoreState.DUE,
        ChoreState.DUE,
        ChoreState.OVERDUE,
    ]


def test_the_night_when_clocks_go_back_shifts_no_day() -> None:
    """25 October 2026 has 25 hours in Berlin: still due from its midnight to the next one."""
    last = local(24, 18, month=10)
    assert by_interval(last, 1, ZONE, local(25, 23, month=10)).state is ChoreState.DUE
    due = by_interval(last, 1, ZONE, local(26, 0, month=10))
    assert due.state is ChoreState.OVERDUE
    assert due.due_at is not None and due.overdue_at is not None
    assert due.overdue_at.astimezone(UTC) - due.due_at.astimezone(UTC) == timedelta(hours=25)


def test_a_site_that_cleans_twice_a_day_counts_hours() -> None:
    due = by_interval(local(24, 18), 0.5, ZONE, local(25, 7))
    assert due.state is ChoreState.OVERDUE and due.due_at == local(25, 6)


@given(INSTANTS, st.sampled_from([0.25, 0.5, 1, 7, 31]), st.timedeltas(timedelta(), timedelta(40)))
def test_waiting_never_puts_a_chore_in_order(last: datetime, days: float, wait: timedelta) -> None:
    now = by_interval(last, days, ZONE, last + wait)
    later = by_interval(last, days, ZONE, last + wait + timedelta(hours=1))
    assert ORDER.index(later.state) >= ORDER.index(now.state)


@given(INSTANTS, st.sampled_from([1, 7]))
def test_no_interval_is_longer_than_the_policy_by_more_than_the_day_it_ends_in(
    last: datetime, days: int
) -> None:
    due = by_interval(last, days, ZONE, last)
    assert due.overdue_at is not None
    assert due.overdue_at - last <= timedelta(days=days + 1, hours=1)


def test_never_recorded_is_told_apart_from_overdue() -> None:
    assert by_interval(None, 7, ZONE, local(25, 8)).state is ChoreState.NOT_KNOWN


def test_buckets_are_due_once_used_and_overdue_four_hours_later() -> None:
    """Four hours: policy chore_grace_h."""
    fed = local(25, 8)
    assert after_use(None, POLICY, fed).state is ChoreState.IN_ORDER
    assert after_use(fed, POLICY, fed + timedelta(seconds=1)).state is ChoreState.DUE
    assert after_use(fed, POLICY, fed + timedelta(hours=4)).state is ChoreState.OVERDUE


def test_a_tank_is_due_when_it_is_empty_and_daily_when_it_never_is() -> None:
    used = local(24, 15)
    full, emptied = Tank(used, None), Tank(used, local(25, 9))
    assert tank_due(None, POLICY, local(25, 9)).state is ChoreState.IN_ORDER
    assert tank_due(full, POLICY, local(25, 14)).state is ChoreState.IN_ORDER
    assert tank_due(full, POLICY, local(25, 16)).state is ChoreState.DUE
    assert tank_due(emptied, POLICY, local(25, 10)).state is ChoreState.DUE
    assert tank_due(emptied, POLICY, local(25, 13)).state is ChoreState.OVERDUE


def test_a_tub_is_measured_a_day_after_fish_came_and_a_day_after_that() -> None:
    came = local(24, 8)
    assert container_due(None, None, POLICY, came).state is ChoreState.IN_ORDER
    assert container_due(came, None, POLICY, local(25, 8)).state is ChoreState.IN_ORDER
    assert container_due(came, None, POLICY, local(25, 9)).state is ChoreState.DUE
    assert container_due(came, local(25, 7), POLICY, local(25, 9)).state is ChoreState.IN_ORDER
    assert container_due(came, local(23, 7), POLICY, local(25, 9)).state is ChoreState.DUE


@pytest.mark.parametrize(
    ("kind", "method", "temperature_c", "minutes", "passed"),
    [
        # 180 °F is 82.2 °C (9 CFR 3.107(b)); a minute of contact (Couquiaud 2005, quoted).
        (CheckKind.SANITISED, Method.DISHWASHER, (180 - 32) / 1.8, None, True),
        (CheckKind.SANITISED, Method.DISHWASHER, 81.9, None, False),
        (CheckKind.SANITISED, Method.DISINFECTANT, None, 1.0, True),
        (CheckKind.SANITISED, Method.DISINFECTANT, None, 0.5, False),
        (CheckKind.SANITISED, Method.STEAM, None, None, None),
        # FDA Food Code 3-501.13(B): food eaten raw is thawed no warmer than 5 °C.
        (CheckKind.CONTAINER, None, 5.0, None, True),
        (CheckKind.CONTAINER, None, 5.1, None, False),
        (CheckKind.AIR, None, 9.0, None, None),
    ],
)
def test_what_is_hot_long_or_cold_enough(
    kind: CheckKind,
    method: Method | None,
    temperature_c: float | None,
    minutes: float | None,
    passed: bool | None,
) -> None:
    found = passes(
        kind, POLICY, method=method, temperature_c=temperature_c, contact_minutes=minutes
    )
    assert found is passed
