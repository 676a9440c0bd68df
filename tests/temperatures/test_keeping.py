"""Retention: raw readings go by policy, with an entry in the trail; hours stay."""

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlmodel import col, func, select

from service.excursions.queries import undecided_since
from service.quality.queries.exposure import Exposures
from service.security import audit
from service.settings import Settings
from service.site import queries as sites
from service.site.models import Place
from service.temperatures.actions import keeping
from service.temperatures.actions.keeping import keep_history
from service.temperatures.models import ProbeHour, Reading
from service.temperatures.rules.months import months_of, raw_needed_from
from service.worker import jobs_of, keep_readings
from tests.kitchen import START, Kitchen

KEPT_MONTHS = 60
OLD = datetime(2021, 9, 20, tzinfo=UTC)
CUT = datetime(2021, 11, 1, tzinfo=UTC)  # START is in November 2026: 60 months before it
STEP_S = 600


def with_history(kitchen: Kitchen, probe: str = "FZ1-AIR", days: int = 60) -> None:
    """Readings of every ten minutes, from before the month that is cut to after it."""
    values = [-20.0 - (i % 144) / 144 for i in range(days * 144)]
    kitchen.temperatures(probe, OLD, values, every_s=STEP_S)


def keep(kitchen: Kitchen, at: datetime = START, most: int = 100) -> int:
    """Keep until nothing is left; in how many pieces."""
    for pieces in range(most):
        with kitchen.writing() as session:
            since = undecided_since(session)
            if not keep_history(session, at=at, undecided_since=since):
                return pieces
    raise AssertionError("it never ends")


def first_reading(kitchen: Kitchen, probe_id: int = 1) -> datetime:
    with kitchen.looking() as session:
        at_s = session.exec(
            select(func.min(Reading.at_s)).where(col(Reading.probe_id) == probe_id)
        ).one()
        return datetime.fromtimestamp(at_s, UTC)


def cuts(kitchen: Kitchen) -> list[dict[str, Any]]:
    entries = kitchen.manager.shown("/audit?limit=100")["items"]
    return [entry for entry in entries if entry["what"] == "raw readings cut"]


def hours(kitchen: Kitchen) -> list[dict[str, Any]]:
    with kitchen.looking() as session:
        found = session.exec(select(ProbeHour).order_by(col(ProbeHour.hour_s)))
        return [row.model_dump(exclude={"version"}) for row in found]


def count(kitchen: Kitchen) -> int:
    with kitchen.looking() as session:
        return session.exec(select(func.count()).select_from(Reading)).one()


def test_readings_older_than_the_policy_go_and_their_hours_stay(kitchen: Kitchen) -> None:
    with_history(kitchen)
    before, everything = hours(kitchen), count(kitchen)
    assert keep(kitchen) == 1
    assert first_reading(kitchen) == CUT
    gone = (CUT - OLD) // timedelta(seconds=STEP_S)
    assert count(kitchen) == everything - gone
    assert hours(kitchen) == before
    (entry,) = cuts(kitchen)
    assert entry["by"] == "fishhouse" and entry["subject"] == "FZ1-AIR"
    assert entry["detail"]["rows"] == gone
    assert entry["detail"]["from"] == OLD.isoformat()
    assert entry["detail"]["to"] == (CUT - timedelta(seconds=STEP_S)).isoformat()
    assert len(entry["detail"]["sha256"]) == 64


def test_keeping_twice_cuts_once(kitchen: Kitchen) -> None:
    with_history(kitchen)
    keep(kitchen)
    after, entries = count(kitchen), len(cuts(kitchen))
    assert keep(kitchen) == 0
    assert (count(kitchen), len(cuts(kitchen))) == (after, entries)


def test_stopped_half_way_it_goes_on_where_it_was(
    kitchen: Kitchen, monkeypatch: pytest.MonkeyPatch
) -> None:
    with_history(kitchen)
    everything = count(kitchen)
    monkeypatch.setattr(keeping, "MOST_AT_ONCE", 1000)
    with kitchen.writing() as session:
        assert keep_history(session, at=START, undecided_since=None)
    assert count(kitchen) == everything - 1000
    with pytest.raises(KeyboardInterrupt), kitchen.writing() as session:
        assert keep_history(session, at=START, undecided_since=None)
        raise KeyboardInterrupt  # killed before its commit
    assert count(kitchen) == everything - 1000 and len(cuts(kitchen)) == 1
    keep(kitchen)
    gone = (CUT - OLD) // timedelta(seconds=STEP_S)
    assert count(kitchen) == everything - gone
    assert sum(entry["detail"]["rows"] for entry in cuts(kitchen)) == gone


def test_what_was_begun_is_finished_when_the_policy_grows_meanwhile(
    kitchen: Kitchen, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half a month cut and the other half kept would be a month that nobody can trust."""
    with_history(kitchen)
    monkeypatch.setattr(keeping, "MOST_AT_ONCE", 1000)
    with kitchen.writing() as session:
        assert keep_history(session, at=START, undecided_since=None)
    figures = {"changes": {"raw_kept_months": 100}, "reason": "an inspection is announced"}
    assert kitchen.manager.put("/sites/main/policy", figures).status_code in (200, 201)
    keep(kitchen)
    assert first_reading(kitchen) == CUT


def test_a_site_may_keep_longer_and_not_shorter_than_thirty_months(kitchen: Kitchen) -> None:
    with_history(kitchen)
    longer = {"changes": {"raw_kept_months": 100}, "reason": "we have room"}
    assert kitchen.manager.put("/sites/main/policy", longer).status_code in (200, 201)
    assert keep(kitchen) == 0 and first_reading(kitchen) == OLD
    shorter = {"changes": {"raw_kept_months": 29}, "reason": "we have none"}
    assert kitchen.manager.put("/sites/main/policy", shorter).status_code == 422


def test_fish_on_hand_keeps_the_readings_since_it_came(kitchen: Kitchen) -> None:
    with_history(kitchen)
    kitchen.a_lot(caught="2021-08-01", arrived="2021-10-10T09:00:00Z")
    keep(kitchen)
    assert first_reading(kitchen) == datetime(2021, 10, 1, tzinfo=UTC)


def test_an_undecided_excursion_keeps_the_readings_since_before_it_began(
    kitchen: Kitchen,
) -> None:
    with_history(kitchen)
    with kitchen.writing() as session:
        began = datetime(2021, 10, 2, tzinfo=UTC)
        for _ in range(5):
            keep_history(session, at=START, undecided_since=began)
    assert first_reading(kitchen) == OLD, "October minus four days lies in September"


def test_a_late_reading_of_a_time_that_was_cut_is_refused_and_says_why(kitchen: Kitchen) -> None:
    with_history(kitchen)
    keep(kitchen)
    answer = kitchen.temperatures(
        "FZ1-AIR", CUT + timedelta(hours=1, minutes=57), [-20.0, -20.0, -20.0], every_s=60
    )
    assert [row["index"] for row in answer["rejected"]] == [0, 1, 2], "stored until two hours on"
    assert "no longer kept" in answer["rejected"][0]["reason"]
    assert "2021-11-01 02:00 UTC" in answer["rejected"][0]["reason"]
    other = kitchen.temperatures("FZ2-AIR", OLD, [-20.0])
    assert other["stored"] == 1, "of a probe that nothing was cut of"


def test_a_late_reading_just_after_the_cut_leaves_every_hour_right(kitchen: Kitchen) -> None:
    """The hours that it changes are computed from all the readings that they need."""
    with_history(kitchen)
    late = (CUT + timedelta(hours=2, seconds=30), [-15.0])
    twin = "FZ2-AIR"
    with_history(kitchen, twin)
    kitchen.temperatures(twin, *late)
    keep(kitchen)
    kitchen.temperatures("FZ1-AIR", *late)
    with kitchen.looking() as session:
        own, whole = (
            [
                row.model_dump(exclude={"version", "probe_id"})
                for row in session.exec(
                    select(ProbeHour)
                    .where(col(ProbeHour.probe_id) == probe_id)
                    .order_by(col(ProbeHour.hour_s))
                )
            ]
            for probe_id in (1, 2)
        )
    assert own == whole


def test_a_chart_of_minutes_before_the_cut_is_answered_in_hours_and_says_so(
    kitchen: Kitchen,
) -> None:
    with_history(kitchen)
    asked = {"from": "2021-10-10T00:00:00Z", "to": "2021-10-10T12:00:00Z", "step": "PT10M"}
    fine = kitchen.keeper.shown("/places/FZ1/temperatures", params=asked)
    assert fine["step"] == 600 and fine["notes"] == []
    keep(kitchen)
    for path in ("/places/FZ1/temperatures", "/probes/FZ1-AIR/temperatures"):
        coarse = kitchen.keeper.shown(path, params=asked)
        assert coarse["step"] == 3600 and len(coarse["points"]) == 12
        assert "kept as hours only" in coarse["notes"][0]
        assert all(p["coverage"] == 1 for p in coarse["points"])


def test_what_fish_has_been_through_is_the_same_after_a_cut(kitchen: Kitchen) -> None:
    """From within one hour to within another: the exposure needs the hours only."""
    with_history(kitchen)

    def been_through() -> Any:
        with kitchen.looking() as session:
            place = session.exec(select(Place).where(col(Place.code) == "FZ1")).one()
            view = sites.view(session, place.site_id, at=START)
            exposures = Exposures(session, view, {place.id or 0: place})
            begin = OLD + timedelta(days=5, minutes=17)
            return exposures.of_place(place.id or 0, begin, begin + timedelta(hours=30, minutes=31))

    before = been_through()
    keep(kitchen)
    after = been_through()
    assert before.known_s == after.known_s == (30 * 60 + 31) * 60
    assert np.allclose(before.value, after.value, rtol=1e-3)


def test_the_trail_holds_after_a_cut(kitchen: Kitchen) -> None:
    with_history(kitchen)
    keep(kitchen)
    with kitchen.looking() as session:
        assert audit.verify(session) == []


def test_the_worker_keeps_until_nothing_is_left(kitchen: Kitchen) -> None:
    with_history(kitchen)
    with_history(kitchen, "FZ2-AIR")
    keep_readings(kitchen.app.state.database, kitchen.clock)
    assert first_reading(kitchen, 1) == CUT == first_reading(kitchen, 2)
    settings = Settings(database_url=kitchen.address, data_dir=kitchen.folder)
    assert "history" in {job.name for job in jobs_of(settings)}


@given(
    st.datetimes(datetime(2000, 1, 1), datetime(2100, 1, 1)),
    st.floats(30, 1200),
    st.lists(st.datetimes(datetime(1990, 1, 1), datetime(2100, 1, 1)), max_size=3),
)
def test_what_is_needed_is_never_cut_and_a_month_is_cut_whole_or_not(
    at: datetime, months: float, needed: list[datetime]
) -> None:
    at, needed = at.replace(tzinfo=UTC), [each.replace(tzinfo=UTC) for each in needed]
    edge = datetime.fromtimestamp(raw_needed_from(at, months, needed), UTC)
    assert (edge.day, edge.hour, edge.minute, edge.second) == (1, 0, 0, 0)
    assert all(edge <= each - timedelta(days=4) for each in needed)
    assert edge <= at - timedelta(days=months * 30.4 - 4)


def test_months_are_those_of_the_calendar() -> None:
    """pandas 3 as an outside opinion on where UTC months begin."""
    begins = pd.date_range("1970-01-01", "2035-12-01", freq="MS", tz="UTC")
    seconds = np.array([int(b.timestamp()) for b in begins])
    assert [m.from_s for m in months_of(seconds)] == seconds.tolist()
    assert [m.from_s for m in months_of(seconds - 1)][1:] == seconds[:-1].tolist()
