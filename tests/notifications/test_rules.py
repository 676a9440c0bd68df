"""Who is told when, without a network or a database."""

import base64
import hashlib
import hmac
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from standardwebhooks.webhooks import Webhook

from service.notifications.rules import (
    MOST_ATTEMPTS,
    QuietHours,
    Subject,
    Telling,
    Told,
    Urgency,
    Wish,
    after_quiet,
    key_bytes,
    next_round,
    signature,
    spacing,
    wait_before,
)

AT = datetime(2026, 11, 25, 6, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
KEY = "whsec_" + base64.b64encode(bytes(range(32))).decode()
ALL = frozenset(Subject)


def wish(number: int, after: int = 0, repeat: int | None = 15, **more: object) -> Wish:
    return Wish(
        id=number,
        urgencies=frozenset(more.get("urgencies", {"now", "today"})),  # type: ignore[call-overload]
        subjects=frozenset(more.get("subjects", ALL)),  # type: ignore[call-overload]
        after=after * MINUTE,
        repeat=None if repeat is None else repeat * MINUTE,
    )


def telling(urgency: Urgency = Urgency.NOW, *, once: bool = False) -> Telling:
    return Telling(Subject.EXCURSION, urgency, AT, once)


def test_what_is_urgent_goes_to_the_first_step_at_once_and_to_the_next_when_nobody_answers() -> (
    None
):
    keeper, manager = wish(1), wish(2, after=20)
    first = next_round(telling(), [keeper, manager], {}, at=AT)
    assert first.recipients == (1,)
    told = {1: Told(1, AT, waiting=False)}
    assert next_round(telling(), [keeper, manager], told, at=AT + 14 * MINUTE).recipients == ()
    assert next_round(telling(), [keeper, manager], told, at=AT + 15 * MINUTE).recipients == (1,)
    assert next_round(telling(), [keeper, manager], told, at=AT + 20 * MINUTE).recipients == (1, 2)


def test_where_nobody_is_of_the_first_step_the_earliest_are() -> None:
    found = next_round(telling(), [wish(1, after=30), wish(2, after=45)], {}, at=AT)
    assert found.recipients == (1,)
    later = next_round(
        telling(),
        [wish(1, after=30), wish(2, after=45)],
        {1: Told(1, AT, False)},
        at=AT + 15 * MINUTE,
    )
    assert 2 in later.recipients


def test_what_is_for_today_is_told_once_and_what_is_for_the_record_never() -> None:
    assert next_round(telling(Urgency.TODAY), [wish(1)], {}, at=AT).recipients == (1,)
    assert next_round(telling(Urgency.TODAY), [wish(1)], {}, at=AT).look_at is None
    assert next_round(telling(Urgency.RECORD), [wish(1)], {}, at=AT).recipients == ()


def test_nobody_is_told_again_before_the_last_time_has_arrived() -> None:
    told = {1: Told(1, AT, waiting=True)}
    found = next_round(telling(), [wish(1)], told, at=AT + 60 * MINUTE)
    assert found.recipients == () and found.look_at == AT + 61 * MINUTE


def test_a_recipient_hears_only_what_it_asked_for() -> None:
    deaf = wish(1, urgencies={"today"})
    other = wish(2, subjects={Subject.BACKUP})
    assert next_round(telling(), [deaf, other], {}, at=AT).recipients == ()
    failed = Telling(Subject.RECIPIENT, Urgency.NOW, AT, once=True, but_not=1)
    assert next_round(failed, [deaf, other], {}, at=AT).recipients == (2,), "a channel has failed"


@given(
    wishes=st.lists(
        st.tuples(st.integers(0, 60), st.one_of(st.none(), st.integers(5, 60))),
        min_size=1,
        max_size=4,
    ),
)
def test_an_unacknowledged_alarm_reaches_everybody_and_never_stops(
    wishes: list[tuple[int, int | None]],
) -> None:
    asked = [wish(i, after, repeat) for i, (after, repeat) in enumerate(wishes, 1)]
    told: dict[int, Told] = {}
    at = AT
    for _ in range(400):
        found = next_round(telling(), asked, told, at=at)
        for number in found.recipients:
            told[number] = Told(told[number].times + 1 if number in told else 1, at, False)
        assert found.look_at is not None and at < found.look_at <= at + MINUTE
        at = found.look_at
    assert told.keys() == {w.id for w in asked}
    for each in asked:
        if each.repeat is None:
            assert told[each.id].times == 1
        else:
            assert told[each.id].last_at > at - each.repeat - MINUTE


# Clocks in Oslo go from 02:00 to 03:00 on 2026-03-29 and back from 03:00 to 02:00 on 2026-10-25
# (last Sundays of March and October, directive 2000/84/EC).
@pytest.mark.parametrize(
    ("at", "start", "end", "until"),
    [
        ("2026-11-25T21:30+01:00", "22:00", "06:00", "2026-11-25T21:30+01:00"),
        ("2026-11-25T22:00+01:00", "22:00", "06:00", "2026-11-26T06:00+01:00"),
        ("2026-11-26T03:00+01:00", "22:00", "06:00", "2026-11-26T06:00+01:00"),
        ("2026-11-26T06:00+01:00", "22:00", "06:00", "2026-11-26T06:00+01:00"),
        ("2026-11-25T13:00+01:00", "12:00", "14:00", "2026-11-25T14:00+01:00"),
        ("2026-03-28T23:00+01:00", "22:00", "06:00", "2026-03-29T06:00+02:00"),
        ("2026-03-28T23:00+01:00", "22:00", "02:30", "2026-03-29T03:30+02:00"),
        ("2026-10-24T23:00+02:00", "22:00", "06:00", "2026-10-25T06:00+01:00"),
    ],
)
def test_quiet_hours_end_by_the_sites_clock_also_when_it_is_put_forward(
    at: str, start: str, end: str, until: str
) -> None:
    quiet = QuietHours(time.fromisoformat(start), time.fromisoformat(end))
    asked = datetime.fromisoformat(at).astimezone(UTC)
    found = after_quiet(asked, quiet, ZoneInfo("Europe/Oslo"))
    assert found == datetime.fromisoformat(until)


@given(
    st.datetimes(datetime(2026, 1, 1), datetime(2027, 1, 1)),
    st.times().map(lambda t: t.replace(second=0, microsecond=0)),
    st.times().map(lambda t: t.replace(second=0, microsecond=0)),
    st.sampled_from(["Europe/Oslo", "America/New_York", "Australia/Lord_Howe", "UTC"]),
)
def test_quiet_hours_never_hold_anything_back_for_more_than_a_day_and_an_hour(
    naive: datetime, start: time, end: time, zone: str
) -> None:
    at = naive.replace(tzinfo=UTC)
    found = after_quiet(at, QuietHours(start, end), ZoneInfo(zone))
    assert at <= found <= at + timedelta(hours=25)


@given(st.integers(1, 60), st.floats(0, 1))
def test_waits_grow_up_to_an_hour_and_never_shrink_below_three_quarters(
    attempt: int, jitter: float
) -> None:
    wait = wait_before(attempt, jitter)
    assert timedelta(seconds=22.5) <= wait <= timedelta(hours=1)
    assert wait_before(attempt + 1, jitter) >= wait


def test_what_is_urgent_is_given_up_within_ten_minutes_and_the_rest_within_seven_hours() -> None:
    def longest(urgency: Urgency) -> timedelta:
        waits = (wait_before(n, 0.0) for n in range(1, MOST_ATTEMPTS[urgency]))
        return sum(waits, timedelta())

    assert longest(Urgency.NOW) <= timedelta(minutes=10)
    assert timedelta(hours=4) <= longest(Urgency.TODAY) <= timedelta(hours=7)


def test_pieces_are_spaced_so_that_no_hour_has_more_than_asked() -> None:
    assert spacing(20) == 3 * MINUTE
    assert all(
        spacing(n) * n >= timedelta(hours=1) - timedelta(milliseconds=1) for n in range(1, 61)
    )


def test_a_signature_is_what_the_standards_own_library_checks() -> None:
    """standardwebhooks 1.1, the reference library of the Standard Webhooks specification."""
    body = '{"title":"Zu warm: −12 °C"}'.encode()
    now = int(datetime.now(UTC).timestamp())
    headers = {
        "webhook-id": "msg_1",
        "webhook-timestamp": str(now),
        "webhook-signature": signature(KEY, "msg_1", now, body),
    }
    assert Webhook(KEY).verify(body.decode(), headers) == {"title": "Zu warm: −12 °C"}
    with pytest.raises(Exception, match="No matching signature"):
        Webhook(KEY).verify(body.decode().replace("12", "13"), headers)


def test_the_five_lines_of_the_readme_check_a_signature() -> None:
    body, headers = b"{}", {"webhook-id": "a", "webhook-timestamp": "1", "webhook-signature": ""}
    headers["webhook-signature"] = signature(KEY, "a", 1, body)
    secret = base64.b64decode(KEY.removeprefix("whsec_"))
    signed = f"{headers['webhook-id']}.{headers['webhook-timestamp']}.".encode() + body
    mac = base64.b64encode(hmac.new(secret, signed, hashlib.sha256).digest()).decode()
    assert hmac.compare_digest(headers["webhook-signature"], f"v1,{mac}")


@pytest.mark.parametrize("key", ["", "whsec_", "whsec_AAAA", "secret", "whsec_é", KEY[6:]])
def test_a_key_that_is_none_is_refused_without_being_repeated(key: str) -> None:
    with pytest.raises(ValueError, match="a key is") as refused:
        key_bytes(key)
    assert len(key) < 8 or key not in str(refused.value)
