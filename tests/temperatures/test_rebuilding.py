"""Hours made again from raw readings: the same as if the readings had come that way."""

from datetime import timedelta

from sqlmodel import col, delete, select

from service.probes.models import Probe, ProbeOffset
from service.temperatures.actions.rebuilding import (
    rebuild_hours,
    rebuild_outdated,
    rebuild_some,
)
from service.temperatures.models import ProbeHour, Reading
from tests.kitchen import START, Kitchen
from tests.temperatures.test_readings import MIDNIGHT, at_minute, hours, sent

ZERO_S = int(MIDNIGHT.timestamp())


def an_offset(kitchen: Kitchen, centi_c: int, from_s: int) -> int:
    """A probe that is off from an instant on; its number."""
    with kitchen.writing() as session:
        probe = session.exec(select(Probe).where(col(Probe.code) == "FZ1-AIR")).one()
        number: int = probe.id
        session.add(
            ProbeOffset(
                probe_id=number,
                from_s=from_s,
                centi_c=centi_c,
                reason="ice point",
                recorded_at=START,
                by="manager",
            )
        )
        return number


def rebuilt(kitchen: Kitchen, probe_id: int, from_s: int, until_s: int, gap_s: int = 3600) -> None:
    with kitchen.writing() as session:
        rebuild_hours(session, probe_id, from_s, until_s, gap_s=gap_s)


def means(kitchen: Kitchen) -> list[float]:
    return [round(hour["mean_c"], 2) for hour in hours(kitchen)]


def test_an_offset_counts_from_its_instant_on_in_hours_rebuilt_and_in_hours_stored(
    kitchen: Kitchen,
) -> None:
    sent(kitchen, [at_minute(m) for m in range(0, 241, 10)])
    probe_id = an_offset(kitchen, 50, ZERO_S + 7200)
    rebuilt(kitchen, probe_id, ZERO_S + 7200, 2**33)
    by_hand = -20 + (600 * 0.25) / 3600  # the last ten minutes rise by half a degree
    assert means(kitchen) == [-20.0, round(by_hand, 2), -19.5, -19.5, -19.5]
    sent(kitchen, [at_minute(m) for m in range(250, 361, 10)])
    assert means(kitchen)[4:] == [-19.5, -19.5, -19.5]


def test_a_rebuild_of_everything_changes_no_bit_of_the_hours(kitchen: Kitchen) -> None:
    days = [at_minute(m * 37, -22 + m % 19 / 7) for m in range(38 * 38)]
    early = [row | {"at": (MIDNIGHT - timedelta(days=70)).isoformat()} for row in days[:1]]
    sent(kitchen, early)
    sent(kitchen, [row for row in days if row["at"] < START.isoformat()])
    before = hours(kitchen)
    with kitchen.looking() as session:
        (probe_id,) = set(session.exec(select(ProbeHour.probe_id)))
    rebuilt(kitchen, probe_id, ZERO_S - 80 * 86400, ZERO_S + 40 * 86400)
    assert hours(kitchen) == before
    rebuilt(kitchen, probe_id, ZERO_S + 3600, ZERO_S + 3601)
    assert hours(kitchen) == before


def test_only_hours_within_reach_are_written_and_stamped_with_a_new_version(
    small_kitchen: Kitchen,
) -> None:
    sent(small_kitchen, [at_minute(m) for m in range(0, 600, 10)])
    probe_id = an_offset(small_kitchen, 10, ZERO_S + 5 * 3600)
    rebuilt(small_kitchen, probe_id, ZERO_S + 5 * 3600, ZERO_S + 6 * 3600)
    with small_kitchen.looking() as session:
        rows = session.exec(select(ProbeHour).order_by(col(ProbeHour.hour_s)))
        assert [row.version for row in rows] == [1, 1, 1, 1, 2, 2, 2, 1, 1, 1]


def test_hours_that_exist_follow_a_change_of_the_longest_gap_a_month_at_a_time(
    kitchen: Kitchen,
) -> None:
    days = (0, 40, 80)  # three months' pieces
    for back in days:
        rows = [
            at_minute(m - back * 1440, probe=probe)
            for m in (0, 20, 40)
            for probe in ("FZ1-AIR", "FZ2-AIR")
        ]
        sent(kitchen, rows)
    assert {hour["covered_s"] for hour in hours(kitchen)} == {2400.0}
    assert pieces(kitchen) == 0, "nothing is made again while nothing has changed"
    change = {"changes": {"gap_minutes": 10}, "reason": "we measure every minute"}
    assert kitchen.manager.put("/sites/main/policy", change).status_code == 200
    sent(kitchen, [at_minute(200), at_minute(220)])
    assert [hour["covered_s"] for hour in hours(kitchen)][:4] == [2400.0, 2400.0, 2400.0, 0.0]
    rounds = pieces(kitchen)
    assert {hour["covered_s"] for hour in hours(kitchen)} == {0.0}
    assert 6 <= rounds <= 10, "three months of two probes, and a look at the others"
    assert pieces(kitchen) == 0
    back_again = {"changes": {"gap_minutes": 60}, "reason": "too strict"}
    assert kitchen.manager.put("/sites/main/policy", back_again).status_code == 200
    rebuild_outdated(kitchen.app.state.database, kitchen.clock)
    assert {hour["covered_s"] for hour in hours(kitchen)} == {2400.0, 1200.0}


def pieces(kitchen: Kitchen) -> int:
    """How many transactions make all hours anew that are due."""
    count, left = -1, True
    while left:
        with kitchen.writing() as session:
            left = rebuild_some(session, at=kitchen.clock())
        count += 1
    return count


def test_hours_whose_raw_readings_are_gone_stay_as_they_are(small_kitchen: Kitchen) -> None:
    sent(small_kitchen, [at_minute(m) for m in range(0, 601, 20)])
    kept = ZERO_S + 5 * 3600
    with small_kitchen.writing() as session:
        probe = session.exec(select(Probe).where(col(Probe.code) == "FZ1-AIR")).one()
        probe.raw_kept_from_s = kept
        session.execute(delete(Reading).where(col(Reading.at_s) < kept - 2 * 3600))
        number: int = probe.id
    before = hours(small_kitchen)
    rebuilt(small_kitchen, number, 0, 2**33)
    assert hours(small_kitchen) == before
    answer = sent(small_kitchen, [at_minute(290), at_minute(301)])
    assert answer["stored"] == 1 and "no longer kept" in answer["rejected"][0]["reason"]
