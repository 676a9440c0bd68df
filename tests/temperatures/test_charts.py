"""Charts: any step, the site's own days, nothing hidden, short enough for a telephone."""

from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlmodel import SQLModel

from service.science.exposure import HOUR_S
from service.temperatures.rules.steps import (
    CIVIL,
    READABLE,
    CivilStep,
    Spans,
    Step,
    step_for,
    step_from,
    steps_of_hours,
)
from service.temperatures.schemas import TemperatureColumnsOut, TemperaturesOut
from tests.kitchen import Kitchen

HAMBURG = ZoneInfo("Europe/Berlin")
YEARS = 5
FIRST = datetime(2021, 11, 1, tzinfo=UTC)


def window(first: datetime, last: datetime, **more: Any) -> dict[str, Any]:
    return {"from": first.isoformat(), "to": last.isoformat(), **more}


def shown(kitchen: Kitchen, first: datetime, last: datetime, **more: Any) -> Any:
    return kitchen.keeper.shown("/places/FZ1/temperatures", params=window(first, last, **more))


def made_hours(kitchen: Kitchen, first: datetime, count: int, *, mean_c: float = -21.347) -> None:
    """Hours as of readings a minute apart, past the readings: five years in a second."""
    table = SQLModel.metadata.tables["probe_hour"]
    start = int(first.timestamp())
    rows = [
        {
            "probe_id": 1,
            "hour_s": start + HOUR_S * i,
            "readings": 60,
            "covered_s": 3599.5 if i % 7 else 3123.25,
            "mean_c": mean_c + (i * 37 % 100) / 333,
            "m2": 1.0,
            "min_c": mean_c - 1.234 - (i % 11) / 7,
            "max_c": mean_c + 1.234 + (i % 13) / 7,
            "first_at_s": start + HOUR_S * i,
            "first_c": mean_c,
            "last_at_s": start + HOUR_S * i + 3540,
            "last_c": mean_c,
            "above_s": bytes(64),
            "integrals": bytes(8),
            "kinetics": 1,
            "version": 1,
        }
        for i in range(count)
    ]
    with kitchen.writing() as session:
        connection = session.connection()
        for part in range(0, count, 1000):
            connection.execute(table.insert(), rows[part : part + 1000])


def test_five_years_by_the_day_are_one_answer_under_200_kb(kitchen: Kitchen) -> None:
    made_hours(kitchen, FIRST, YEARS * 366 * 24)
    last = FIRST.replace(year=FIRST.year + YEARS)
    for asked in ({"step": "P1D"}, {"step": 86400}, {"points": 2000}):
        params = window(FIRST, last, format="columns", **asked)
        answer = kitchen.keeper.get("/places/FZ1/temperatures", params=params)
        assert answer.status_code == 200, answer.text
        assert len(answer.json()["columns"]["at"]) == 1826
        assert len(answer.content) < 200_000, "not compressed"
        assert len(answer.content) < 100_000, "as columns less than half"
    points = kitchen.keeper.get("/places/FZ1/temperatures", params=window(FIRST, last, step="P1D"))
    assert len(points.json()["points"]) == 1826 and len(points.content) < 200_000


def test_points_columns_and_table_say_the_same(kitchen: Kitchen) -> None:
    made_hours(kitchen, FIRST, 24 * 40)
    last = FIRST + timedelta(days=40)
    points = shown(kitchen, FIRST, last, step="P1D")
    columns = shown(kitchen, FIRST, last, step="P1D", format="columns")
    table = kitchen.keeper.get(
        "/places/FZ1/temperatures",
        params=window(FIRST, last, step="P1D"),
        headers={"Accept": "text/csv"},
    )
    TemperaturesOut.model_validate(points)
    TemperatureColumnsOut.model_validate(columns)
    assert columns["step"] == "P1D" and columns["probes"] == points["probes"]
    rows = list(zip(*columns["columns"].values(), strict=True))
    assert rows == [
        (int(datetime.fromisoformat(p["at"]).timestamp()), *list(p.values())[1:])
        for p in points["points"]
    ]
    lines = table.text.split("\r\n")
    assert table.headers["content-type"] == "text/csv; charset=utf-8"
    assert lines[0] == "at,mean_c,min_c,max_c,coverage" and lines[-1] == ""
    first = points["points"][0]
    assert lines[1] == ",".join(str(value) for value in first.values())


# --- pandas as an outside opinion


@pytest.mark.parametrize(
    ("step", "rule"), [("P1D", "D"), ("P1W", "W-MON"), ("P1M", "MS"), ("PT6H", "6h")]
)
def test_steps_agree_with_another_library_across_both_clock_changes(
    kitchen: Kitchen, step: str, rule: str
) -> None:
    """pandas 3 resamples the same readings in the site's zone. In Berlin the clocks went back
    on 26 October 2025 (a day of 25 h) and forward on 29 March 2026 (one of 23 h)."""
    put = kitchen.manager.put("/sites/main", {"timezone": "Europe/Berlin"})
    assert put.status_code == 200, put.text
    for first, days in (
        (datetime(2025, 10, 20, tzinfo=HAMBURG), 14),
        (datetime(2026, 3, 23, tzinfo=HAMBURG), 14),
    ):
        random = np.random.default_rng(6)
        count = days * 24 * 6 + 7
        values = (-22 + random.normal(0, 1, count).cumsum() / 50).round(2)
        start = first.astimezone(UTC)
        kitchen.temperatures("FZ1-AIR", start, values.tolist(), every_s=600)
        last = first + timedelta(days=days)
        answer = shown(kitchen, start, last.astimezone(UTC), step=step)

        index = pd.date_range(start, periods=count, freq="600s").tz_convert("Europe/Berlin")
        series = pd.Series(values, index)
        # Along straight lines: each ten minutes have the middle of their two readings.
        middles = (series + series.shift(-1)).iloc[:-1] / 2
        origin = "start_day" if step != "PT6H" else pd.Timestamp(first)
        options: Any = {"closed": "left", "label": "left", "origin": origin}
        mean = middles.resample(rule, **options).mean()
        low, high = (series.resample(rule, **options).agg(each) for each in ("min", "max"))
        found = {p["at"]: p for p in answer["points"]}
        compared = 0
        for at, value in mean.items():
            shown_at = at.tz_convert("UTC").strftime("%Y-%m-%dT%H:%M:%SZ")
            whole = at >= pd.Timestamp(first) and shown_at in found
            if not whole or found[shown_at]["coverage"] < 1:
                continue
            compared += 1
            assert found[shown_at]["mean_c"] == pytest.approx(value, abs=0.0006), at
            assert found[shown_at]["min_c"] == low[at] and found[shown_at]["max_c"] == high[at]
        assert compared >= {"P1D": 14, "P1W": 2, "P1M": 0, "PT6H": 55}[step]


def test_the_day_on_which_clocks_go_back_has_25_hours_and_is_covered(kitchen: Kitchen) -> None:
    found = CIVIL[CivilStep.DAY].window(
        int(datetime(2025, 10, 25, 12, tzinfo=UTC).timestamp()),
        int(datetime(2025, 10, 27, 12, tzinfo=UTC).timestamp()),
        HAMBURG,
    )
    assert (np.diff(found.cuts_s) / HOUR_S).tolist() == [24, 25, 24]
    found = CIVIL[CivilStep.DAY].window(
        int(datetime(2026, 3, 28, 12, tzinfo=UTC).timestamp()),
        int(datetime(2026, 3, 30, 12, tzinfo=UTC).timestamp()),
        HAMBURG,
    )
    assert (np.diff(found.cuts_s) / HOUR_S).tolist() == [24, 23, 24]


def test_weeks_begin_on_monday_and_months_on_the_first() -> None:
    """ISO 8601: the first day of a week is Monday."""
    at = int(datetime(2026, 11, 25, tzinfo=UTC).timestamp())
    week = CIVIL[CivilStep.WEEK].window(at, at + 1, UTC)
    month = CIVIL[CivilStep.MONTH].window(at, at + 1, UTC)
    assert week.cuts_s.tolist() == [
        datetime(2026, 11, day, tzinfo=UTC).timestamp() for day in (23, 30)
    ]
    assert month.cuts_s.tolist() == [
        datetime(2026, month, 1, tzinfo=UTC).timestamp() for month in (11, 12)
    ]


# --- steps as they are written


@pytest.mark.parametrize(
    ("said", "seconds"),
    [("60", 60), ("PT10M", 600), ("PT1H", 3600), ("PT1H30M", 5400), ("86400", 86400)],
)
def test_a_step_is_seconds_or_a_duration(said: str, seconds: int) -> None:
    assert step_from(said) == Step(seconds)


@pytest.mark.parametrize(
    "said", ["", "PT", "P2D", "P1Y", "90", "PT0M", "1e3", "-60", "60.0", "PT1S", "P1DT1H", "٦٠"]
)
def test_another_step_is_refused_with_what_is_taken(small_kitchen: Kitchen, said: str) -> None:
    answer = small_kitchen.keeper.get(
        "/places/FZ1/temperatures", params=window(FIRST, FIRST + timedelta(days=1), step=said)
    )
    if said:
        assert answer.status_code == 422
        assert answer.json()["errors"][0]["field"] == "step"
    with pytest.raises(ValueError, match=r"whole minutes|PT10M"):
        step_from(said)


@given(st.integers(1, 6 * 366 * 86400), st.integers(1, 5000))
def test_so_many_points_at_most_in_steps_that_can_be_read(length_s: int, points: int) -> None:
    step = step_for(0, length_s, points)
    assert step in READABLE
    assert step.count(0, length_s) <= points or step == READABLE[-1]
    shorter = [s for s in READABLE if s.seconds < step.seconds]
    assert all(s.count(0, length_s) > points for s in shorter)


def test_a_step_and_a_number_of_points_are_not_asked_together(small_kitchen: Kitchen) -> None:
    answer = small_kitchen.keeper.get(
        "/places/FZ1/temperatures",
        params=window(FIRST, FIRST + timedelta(days=1), step=60, points=10),
    )
    assert answer.status_code == 422 and answer.json()["errors"][0]["field"] == "points"


# --- laws


@st.composite
def runs_of_hours(draw: st.DrawFn) -> Spans:
    gaps = draw(st.lists(st.integers(1, 30), min_size=1, max_size=60))
    start = np.cumsum(np.array(gaps, dtype=np.int64)) * HOUR_S
    covered = np.array([draw(st.integers(0, HOUR_S)) for _ in gaps], dtype=np.float64)
    mean = np.array([draw(st.integers(-4000, 1000)) / 100 for _ in gaps])
    wide = np.array([draw(st.integers(0, 500)) / 100 for _ in gaps])
    return Spans(start, start + HOUR_S, mean, mean - wide, mean + wide, covered)


ZONES = st.sampled_from([UTC, HAMBURG, ZoneInfo("Asia/Kolkata"), ZoneInfo("Australia/Lord_Howe")])
STEPS = st.sampled_from([Step(HOUR_S), Step(7 * HOUR_S), Step(24 * HOUR_S), *CIVIL.values()])


@given(runs_of_hours(), STEPS, ZONES)
def test_in_any_step_the_means_weighed_by_coverage_make_the_whole(
    hours: Spans, step: Step, zone: Any
) -> None:
    within = step.window(int(hours.from_s[0]), int(hours.until_s[-1]), zone)
    steps = steps_of_hours(hours, within.cuts_s)
    total = hours.covered_s.sum()
    assert steps.covered_s.sum() == pytest.approx(total, rel=1e-12, abs=1e-9)
    whole = (hours.mean_c * hours.covered_s).sum()
    assert (steps.mean_c * steps.covered_s).sum() == pytest.approx(whole, rel=1e-9, abs=1e-6)
    coverage = within.coverage(steps)
    assert ((coverage >= 0) & (coverage <= 1)).all()


@given(runs_of_hours(), STEPS, ZONES)
def test_no_step_hides_the_warmest_or_the_coldest_hour(hours: Spans, step: Step, zone: Any) -> None:
    within = step.window(int(hours.from_s[0]), int(hours.until_s[-1]), zone)
    steps = steps_of_hours(hours, within.cuts_s)
    row = np.searchsorted(steps.at_s, hours.from_s, side="right") - 1
    assert (steps.max_c[row] >= hours.max_c).all() and steps.max_c.max() == hours.max_c.max()
    assert (steps.min_c[row] <= hours.min_c).all() and steps.min_c.min() == hours.min_c.min()


@given(runs_of_hours(), st.integers(0, 2000), st.integers(1, 2000))
def test_a_time_and_the_times_around_it_make_the_whole(
    hours: Spans, from_minute: int, minutes: int
) -> None:
    low, high = from_minute * 60, (from_minute + minutes) * 60
    parts = [hours.between(a, b) for a, b in ((-(2**40), low), (low, high), (high, 2**40))]
    assert sum(p.covered_s.sum() for p in parts) == pytest.approx(hours.covered_s.sum())
    assert all((p.until_s > p.from_s).all() for p in parts)


# --- what is shown of which probe


def test_a_spike_of_one_minute_is_in_every_step_up_to_a_month(kitchen: Kitchen) -> None:
    noon = datetime(2026, 11, 10, 12, tzinfo=UTC)
    values = [-20.0] * 300
    values[137] = 4.5
    kitchen.temperatures("FZ1-AIR", noon, values, every_s=60)
    first, last = datetime(2026, 11, 1, tzinfo=UTC), datetime(2026, 11, 20, tzinfo=UTC)
    for step in ("60", "PT10M", "1800", "3600", "PT6H", "86400", "P1D", "P1W", "P1M"):
        near = (noon, noon + timedelta(hours=5)) if step == "60" else (first, last)
        points = shown(kitchen, *near, step=step)["points"]
        assert max(p["max_c"] for p in points) == 4.5, step


def test_the_answer_names_which_probe_stood_when(kitchen: Kitchen) -> None:
    """The warmer of two stands for a day; each day is the one probe's own."""
    kitchen.manager.made("/probes", {"code": "FZ1-DOOR", "place": "FZ1", "kind": "air"})
    day = datetime(2026, 11, 10, tzinfo=UTC)
    kitchen.temperatures("FZ1-AIR", day, [-20.0] * 24 + [-22.0] * 25)
    kitchen.temperatures("FZ1-DOOR", day, [-21.0] * 24 + [-19.0] * 25)
    for step in ("PT10M", "3600", "P1D"):
        answer = shown(kitchen, day, day + timedelta(days=2), step=step)
        assert [(p["probe"], p["from"][:10]) for p in answer["probes"]] == [
            ("FZ1-AIR", "2026-11-10"),
            ("FZ1-DOOR", "2026-11-11"),
        ]
        assert answer["probe"] == "FZ1-DOOR"
        by_day: dict[str, set[float]] = {}
        for point in answer["points"]:
            if point["coverage"] == 1 and step != "P1D":
                by_day.setdefault(point["at"][:10], set()).add(point["max_c"])
        if by_day:
            assert max(by_day["2026-11-10"]) == -20.0 and by_day["2026-11-11"] == {-19.0}


def test_a_probe_has_a_chart_of_its_own_and_says_when_it_was_broken(kitchen: Kitchen) -> None:
    day = datetime(2026, 11, 10, tzinfo=UTC)
    kitchen.temperatures("FZ1-AIR", day, [-20.0, -20.0, 30.0, -20.0])
    broken = {
        "from": (day + timedelta(hours=2)).isoformat(),
        "until": (day + timedelta(hours=3)).isoformat(),
        "reason": "fell into warm water",
    }
    answer = kitchen.manager.post("/probes/FZ1-AIR/faults", broken)
    assert answer.status_code in (200, 201), answer.text
    own = kitchen.keeper.shown(
        "/probes/FZ1-AIR/temperatures", params=window(day, day + timedelta(hours=4))
    )
    assert max(p["max_c"] for p in own["points"]) == 30.0
    assert [f["reason"] for f in own["faults"]] == ["fell into warm water"]
    assert own["place"] == "FZ1" and own["probe"] == "FZ1-AIR"
    place = shown(kitchen, day, day + timedelta(hours=4))
    assert max(p["max_c"] for p in place["points"]) == -20.0, "it stood for nothing while broken"
    missing = kitchen.keeper.get("/probes/NONE/temperatures", params=window(day, day))
    assert missing.status_code in (404, 422)


def test_another_sites_probe_is_not_shown(kitchen: Kitchen) -> None:
    kitchen.manager.made("/sites", {"code": "NORTH", "name": "North"})
    elsewhere = kitchen.person("keeper", (2,))
    day = datetime(2026, 11, 10, tzinfo=UTC)
    params = window(day, day + timedelta(hours=4))
    for path in ("/probes/FZ1-AIR/temperatures", "/places/FZ1/temperatures"):
        assert elsewhere.get(path, params=params).status_code == 403


def test_a_long_time_in_minutes_is_shown_in_hours_and_says_so(kitchen: Kitchen) -> None:
    made_hours(kitchen, FIRST, 24 * 200)
    answer = shown(kitchen, FIRST, FIRST + timedelta(days=200), step="PT30M")
    assert answer["step"] == 3600 and len(answer["points"]) == 4800
    assert "92 days" in answer["notes"][0]
