"""`fishhouse import readings`: whatever a logger writes, the right instants or a named line."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlmodel import col, func, select

from service.cli import main
from service.temperatures.models import Reading
from service.temperatures.rules.logger_tables import (
    Found,
    Layout,
    Refused,
    Unreadable,
    read_table,
)
from tests.kitchen import Kitchen

Import = Callable[..., int]
OSLO = ZoneInfo("Europe/Oslo")


@pytest.fixture
def imported(kitchen: Kitchen, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Import:
    """Import a text with options; the exit code."""
    monkeypatch.setenv("FISHHOUSE_DATABASE_URL", kitchen.address)
    monkeypatch.setattr("service.import_desk.system_clock", kitchen.clock)

    def run(table: str | bytes, *options: str) -> int:
        file = tmp_path / "logger.csv"
        file.write_bytes(table if isinstance(table, bytes) else table.encode())
        return main(["import", "readings", str(file), *options])

    return run


def readings(kitchen: Kitchen) -> list[tuple[str, int]]:
    with kitchen.looking() as session:
        rows = session.exec(select(Reading).order_by(col(Reading.probe_id), col(Reading.at_s)))
        return [(f"{datetime.fromtimestamp(r.at_s, UTC):%m-%d %H:%M}", r.centi_c) for r in rows]


def test_our_own_table_twice_is_stored_once(
    kitchen: Kitchen, imported: Import, capsys: pytest.CaptureFixture[str]
) -> None:
    table = "probe,at,temperature_c\nFZ1-AIR,2026-11-24T00:00:00Z,-20.5\n"
    assert imported(table, "--dry-run") == 0
    assert "1 stored, 0 there already" in capsys.readouterr().out and readings(kitchen) == []
    assert imported(table) == 0
    assert imported(table) == 0
    assert "0 stored, 1 there already, 0 rejected" in capsys.readouterr().out
    assert readings(kitchen) == [("11-24 00:00", -2050)]


def test_a_recorder_with_two_probes_a_line_decimal_commas_and_a_preamble(
    kitchen: Kitchen, imported: Import
) -> None:
    """Date and time in two columns, semicolons, Latin-1, a unit in the header, local time."""
    table = (
        "Recorder 17\r\nInterval;5 min\r\n"
        "Nr;Dato;Tid;Føler 1 [°C];Føler 2 [°C]\r\n"
        "1;24.11.2026;13:00;-20,5;-18,25\r\n"
        "2;24.11.2026;13:05;-20,4;\r\n"
        "3;24.11.2026;13:10;;\r\n"
        "4;24.11.2026;13:15;OPEN;-18\r\n"
        '5;24.11.2026;13:20;"\N{MINUS SIGN}20,1";-18\r\n'
    ).encode("latin-1", errors="xmlcharrefreplace")
    table = table.replace(b"&#8722;", b"-")
    options = ["--skip", "2", "--delimiter", ";", "--decimal-comma", "--encoding", "latin-1"]
    options += ["--time", "Dato", "--time", "Tid", "--time-format", "%d.%m.%Y %H:%M"]
    options += ["--zone", "Europe/Oslo"]
    options += ["--column", "Føler 1 [°C]=FZ1-AIR", "--column", "Føler 2 [°C]=fz2-air"]
    assert imported(table, *options) == 1, "two lines are rejected"
    assert readings(kitchen) == [
        ("11-24 12:00", -2050),
        ("11-24 12:05", -2040),
        ("11-24 12:20", -2010),
        ("11-24 12:00", -1825),
        ("11-24 12:20", -1800),
    ]


def test_fahrenheit_tabs_no_header_and_one_probe(kitchen: Kitchen, imported: Import) -> None:
    """0 °F is -17.78 °C and -40 is -40 (by definition of the scales)."""
    table = "2026-11-24 06:00\t0\n2026-11-24 07:00\t-40\n"
    options = ["--no-header", "--delimiter", "tab", "--time", "1", "--temperature", "2"]
    assert imported(table, *options, "--probe", "FZ1-AIR", "--unit", "f") == 0
    assert readings(kitchen) == [("11-24 06:00", -1778), ("11-24 07:00", -4000)]


def test_the_sites_zone_counts_where_none_is_named(kitchen: Kitchen, imported: Import) -> None:
    answer = kitchen.manager.put("/sites/main", {"timezone": "America/New_York"})
    assert answer.status_code == 200
    table = "at,temperature_c\n2026-11-24 07:00,-20\n2026-11-24T07:00:00+01:00,-20\n"
    assert imported(table, "--probe", "FZ1-AIR") == 0
    assert [at for at, _ in readings(kitchen)] == ["11-24 06:00", "11-24 12:00"]


def test_every_line_at_fault_is_named_and_all_others_are_stored(
    kitchen: Kitchen, imported: Import, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = [
        b"probe,at,temperature_c",
        b"FZ1-AIR,2026-11-24T00:00:00Z,-20",
        b"NOPE,2026-11-24T00:00:00Z,-20",
        b"FZ1-AIR,2026-11-24T00:01:00Z,nan",
        b"FZ1-AIR,2026-11-24T00:02:00Z,-273",
        b"FZ1-AIR,2026-11-24T00:03:00Z,500",
        b"FZ1-AIR,9999-12-31T23:59:59Z,-20",
        b"FZ1-AIR,1970-01-01T00:00:00Z,-20",
        b"FZ1-AIR,0001-01-01T00:00:00,-20",
        b"FZ1-AIR,2026-11-24T00:04:00Z",
        b'"FZ1-AIR,2026-11-24T00:05:00Z,-20',
        b"\0\xff\xfe\x80" * 20,
        b"x" * 5_000_000,
        b"",
        b"FZ1-AIR,2026-11-24T00:06:00Z,-20",
        b"FZ1-AIR,2026-11-24T00:06:00Z,-21",
    ]
    assert imported(b"\n".join(lines), "--zone", "Europe/Oslo") == 1
    said = capsys.readouterr()
    named = [int(line.split()[1].rstrip(":")) for line in said.err.splitlines() if "line" in line]
    assert sorted(named) == [*range(3, 14), 16]
    assert "2 stored, 0 there already, 12 rejected" in said.out
    assert len(readings(kitchen)) == 2


BAD_OPTIONS: list[tuple[list[str], int, str]] = [
    (["--probe", "NOPE"], 1, "NOPE"),
    (["--column", "temperature_c"], 2, "COLUMN=PROBE"),
    (["--zone", "Mars/Olympus"], 2, "Mars/Olympus"),
    (["--encoding", "utf-99"], 2, "utf-99"),
    (["--delimiter", "ab"], 2, "one character"),
    (["--time", "when"], 2, "when"),
    (["--time", "a", "--time", "b", "--time", "c"], 2, "twice"),
]


def test_options_that_do_not_fit_are_said_and_nothing_is_stored(
    kitchen: Kitchen, imported: Import, capsys: pytest.CaptureFixture[str]
) -> None:
    table = "probe,at,temperature_c\nFZ1-AIR,2026-11-24T00:00:00Z,-20\n"
    for options, code, word in BAD_OPTIONS:
        assert imported(table, *options) == code, options
        assert word in capsys.readouterr().err
    assert readings(kitchen) == []
    assert imported("", "--probe", "FZ1-AIR") == 2, "an empty file has no columns"


def test_a_million_lines_with_garbage_in_the_middle(
    small_kitchen: Kitchen,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("FISHHOUSE_DATABASE_URL", small_kitchen.address)
    monkeypatch.setattr("service.import_desk.system_clock", small_kitchen.clock)
    start = np.datetime64("2026-11-01T00:00:00") - np.arange(1_000_000).astype("timedelta64[m]")
    lines = [f"{at}Z,{-22 + m % 50 / 25:.2f}" for m, at in enumerate(start[::-1].astype(str))]
    lines[500_000] = "\0\0garbage;;;\"'"
    file = tmp_path / "long.csv"
    file.write_text("\n".join(["at,temperature_c", *lines]))
    assert main(["import", "readings", str(file), "--probe", "FZ1-AIR"]) == 1
    assert "line 500002:" in capsys.readouterr().err
    with small_kitchen.looking() as session:
        assert session.execute(select(func.count()).select_from(Reading)).scalar_one() == 999_999


# --- local times, against pandas (its own reading of the IANA tables and of the file's order)


def instants(local: list[datetime], zone: ZoneInfo) -> list[datetime | None]:
    """What each line means by our reading; None where it is refused."""
    lines = ["at,temperature_c", *(f"{at:%Y-%m-%d %H:%M},-20" for at in local)]
    layout = Layout(time=("at",), temperatures=(("temperature_c", "P"),), zone=zone)
    meant: dict[int, datetime | None] = {}
    for each in read_table(lines, layout):
        assert each.line not in meant, "a line is told of once"
        meant[each.line] = each.at if isinstance(each, Found) else None
    return [meant[number + 2] for number in range(len(local))]


def wall_clock(zone: ZoneInfo, start: datetime, step: timedelta, count: int) -> list[datetime]:
    """What a clock on the wall shows at even steps."""
    return [(start + step * n).astimezone(zone).replace(tzinfo=None) for n in range(count)]


ZONES = ("Europe/Oslo", "America/New_York", "Australia/Lord_Howe", "America/St_Johns", "UTC")


@given(
    zone=st.sampled_from(ZONES),
    day=st.integers(0, 364),
    step=st.sampled_from([5, 10, 15, 20, 30]),
    backwards=st.booleans(),
)
def test_a_day_of_local_times_is_read_as_pandas_reads_it(
    zone: str, day: int, step: int, backwards: bool
) -> None:
    place = ZoneInfo(zone)
    start = datetime(2025, 3, 1, tzinfo=UTC) + timedelta(days=day)
    local = wall_clock(place, start, timedelta(minutes=step), 2 * 1440 // step)
    theirs = pd.DatetimeIndex(local).tz_localize(zone, ambiguous="infer").tz_convert("UTC")
    ours = instants(local[::-1] if backwards else local, place)
    assert (ours[::-1] if backwards else ours) == [at.to_pydatetime() for at in theirs]


@pytest.mark.parametrize("zone", ZONES[:4])
def test_the_repeated_hour_is_read_twice_and_the_missing_one_never(zone: str) -> None:
    place = ZoneInfo(zone)
    year = pd.date_range("2025-01-01", "2026-01-01", freq="10min")
    flags = np.zeros(len(year), dtype=bool)
    missing = pd.isna(year.tz_localize(zone, ambiguous=flags, nonexistent="NaT"))
    twice = pd.isna(year.tz_localize(zone, ambiguous="NaT", nonexistent="shift_forward"))
    found = instants([at.to_pydatetime() for at in year], place)
    assert [at is None for at in found] == list(missing | twice), "named once, it is not known"
    assert missing.sum() == twice.sum() > 0


def test_an_hour_that_comes_once_or_three_times_is_refused_and_told_by_line() -> None:
    def local(*clock: str) -> list[datetime]:
        return [datetime.fromisoformat(f"2026-10-25 {at}") for at in clock]

    assert instants(local("01:30", "02:30", "03:30"), OSLO)[1] is None
    assert instants(local("02:30"), OSLO) == [None]
    again = local("01:30", "02:10", "02:40", "02:20", "02:50", "02:30", "03:30")
    assert [at is None for at in instants(again, OSLO)] == [False, *[True] * 5, False]
    hourly = instants(local("01:00", "02:00", "02:00", "03:00"), OSLO)
    assert [at.hour if at else None for at in hourly] == [23, 0, 1, 2]


def test_each_probe_of_a_long_table_has_an_order_of_its_own() -> None:
    lines = ["probe,at,temperature_c"]
    clock = ["02:00", "02:30", "02:00", "02:30"]
    lines += [f"{p},2026-10-25 {at},-20" for at in ["01:30", *clock, "03:00"] for p in "AB"]
    layout = Layout(
        time=("at",),
        temperatures=(("temperature_c", None),),
        probe_column="probe",
        zone=OSLO,
    )
    found = [each for each in read_table(lines, layout) if isinstance(each, Found)]
    of_a = sorted(each.at for each in found if each.probe == "A")
    assert len(found) == 12 and of_a == sorted(each.at for each in found if each.probe == "B")
    assert [(b - a) for a, b in pairwise(of_a)] == [timedelta(minutes=30)] * 5


@given(st.lists(st.text(max_size=60), max_size=12), st.booleans(), st.booleans())
def test_no_line_whatever_it_holds_is_lost_or_breaks_the_reading(
    lines: list[str], comma: bool, iso: bool
) -> None:
    layout = Layout(
        time=("1",),
        temperatures=(("2", "P"),),
        zone=OSLO,
        header=False,
        decimal_comma=comma,
        time_format=None if iso else "%d.%m.%Y",
    )
    told: list[Any] = list(read_table(lines, layout))
    assert sorted(each.line for each in told) == [n for n, x in enumerate(lines, 1) if x.strip()]


def test_a_column_that_stands_twice_is_taken_by_its_number_only() -> None:
    layout = Layout(time=("at",), temperatures=(("T", "P"),), zone=OSLO)
    with pytest.raises(Unreadable, match="no one column called 'T'"):
        list(read_table(["at,T,T", "2026-11-24 06:00,-20,-21"], layout))
    layout = Layout(time=("at",), temperatures=(("3", "P"),), zone=OSLO)
    (found,) = read_table(["at,T,T", "2026-11-24 06:00,-20,-21"], layout)
    assert isinstance(found, Found) and found.temperature_c == -21
    (refused,) = read_table(["at,T,T", "2026-11-24 06:00,-20"], layout)
    assert isinstance(refused, Refused) and "column 3 is missing" in refused.why
