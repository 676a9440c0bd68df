"""Readings that come late, twice, backwards: the hours are those of a day that came in order."""

from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlmodel import col, delete, select

from service.probes.models import Probe
from service.security.actor import SERVICE
from service.temperatures.actions import storing
from service.temperatures.actions.decoding import Decoded, Row
from service.temperatures.models import ProbeHour, Reading
from tests.kitchen import START, Kitchen
from tests.temperatures.test_readings import MIDNIGHT, at_minute, hours, sent

PROBES = ("FZ1-AIR", "FZ2-AIR")


def a_day(seed: int) -> list[Row]:
    """Two probes, about every five minutes, with gaps of up to three hours; hundredths."""
    random = np.random.default_rng(seed)
    rows = []
    for probe in PROBES:
        steps = random.choice(
            [60, 290, 300, 3599, 3600, 3601, 9000], 60, p=[0.1, 0.2, 0.55, 0.04, 0.04, 0.04, 0.03]
        )
        at_s = np.cumsum(steps)
        celsius = np.round(-22 + np.cumsum(random.normal(0, 0.3, 60)), 2)
        rows += [
            Row(probe, MIDNIGHT + timedelta(seconds=int(s)), float(c))
            for s, c in zip(at_s, celsius, strict=True)
            if s < 86400
        ]
    return rows


def store(kitchen: Kitchen, rows: list[Row]) -> Any:
    with kitchen.writing() as session:
        return storing.store(
            session, Decoded(list(range(len(rows))), list(rows)), at=START, by=SERVICE
        )


def emptied(kitchen: Kitchen) -> None:
    with kitchen.writing() as session:
        session.execute(delete(ProbeHour))
        session.execute(delete(Reading))


@given(seed=st.integers(0, 2**32), data=st.data())
@settings(
    max_examples=25,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
def test_any_order_any_parts_and_any_repeats_of_a_day_give_the_same_hours_to_the_last_bit(
    kitchen: Kitchen, seed: int, data: st.DataObject
) -> None:
    rows = a_day(seed)
    emptied(kitchen)
    assert store(kitchen, rows).stored == len(rows)
    in_order = hours(kitchen)
    shuffled = data.draw(st.permutations(rows))
    again = data.draw(st.lists(st.sampled_from(rows), max_size=40))
    mixed = data.draw(st.permutations([*shuffled, *again]))
    cuts = sorted(data.draw(st.sets(st.integers(1, len(mixed) - 1), max_size=12)))
    emptied(kitchen)
    answers = [
        store(kitchen, mixed[a:b]) for a, b in zip([0, *cuts], [*cuts, len(mixed)], strict=True)
    ]
    assert sum(answer.stored for answer in answers) == len(rows)
    assert sum(answer.duplicates for answer in answers) == len(again)
    assert hours(kitchen) == in_order


def test_a_whole_day_twice_and_backwards_is_stored_once(kitchen: Kitchen) -> None:
    rows = a_day(7)
    for row in reversed(rows):
        assert store(kitchen, [row]).stored == 1
    backwards = hours(kitchen)
    answer = store(kitchen, rows)
    assert (answer.stored, answer.duplicates) == (0, len(rows))
    emptied(kitchen)
    store(kitchen, rows)
    assert hours(kitchen) == backwards


def watched(kitchen: Kitchen, mark: int | None = None) -> int:
    with kitchen.writing() as session:
        probe = session.exec(select(Probe).where(col(Probe.code) == "FZ1-AIR")).one()
        if mark is not None:
            probe.watched_until_s = mark
            session.add(probe)
        return int(probe.watched_until_s)


def test_a_late_reading_sends_the_watch_back_to_it_and_others_leave_it(kitchen: Kitchen) -> None:
    mark = int(MIDNIGHT.timestamp()) + 7200
    watched(kitchen, mark)
    sent(kitchen, [at_minute(121), at_minute(180), at_minute(10, probe="FZ2-AIR")])
    assert watched(kitchen) == mark
    sent(kitchen, [at_minute(119), at_minute(60), at_minute(300)])
    assert watched(kitchen) == mark - 3600
    sent(kitchen, [at_minute(60), at_minute(119)])
    assert watched(kitchen, mark) == mark
    sent(kitchen, [at_minute(60), at_minute(119)])
    assert watched(kitchen) == mark, "what is stored already changes nothing"


@pytest.mark.parametrize("minutes", [59, 60, 61, 119])
def test_a_line_across_an_hour_that_nobody_read_is_never_drawn(
    small_kitchen: Kitchen, minutes: int
) -> None:
    """The longest line is an hour, so no hour changes but that of a reading and its neighbours."""
    sent(small_kitchen, [at_minute(59.5)])
    sent(small_kitchen, [at_minute(59.5 + minutes, -10.0)])
    covered = [hour["covered_s"] for hour in hours(small_kitchen)]
    assert sum(covered) == (minutes * 60 if minutes <= 60 else 0)
