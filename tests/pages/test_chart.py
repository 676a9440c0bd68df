"""Charts: numbers in, positions out."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from service.pages.chart import Limit, Line, Stretch, chart
from service.pages.ribbon import Notch, Track
from service.pages.words import Writer
from service.quantities import Units
from service.site.queries import SiteView
from service.site.rules import default_policy

NOW = datetime(2026, 11, 24, 18, tzinfo=UTC)
ZONE = ZoneInfo("America/Chicago")
WRITE = Writer(SiteView(1, "ZOO", ZONE, Units(), default_policy(), 0), "en", NOW)


def at(hours: float) -> float:
    return (NOW + timedelta(hours=hours)).timestamp()


def test_a_line_breaks_where_nobody_measured_and_the_gap_is_told() -> None:
    air = Line("air", [at(-4), at(-3), at(-1), at(0)], [-20, -20, -20, -20], longest_s=3600)
    it = chart(NOW - timedelta(hours=4), NOW, [air], write=WRITE, unit="°C")
    assert it.lines[0].path.count("M") == 2
    (gap,) = it.gaps
    assert (gap.begin, gap.end) == (NOW - timedelta(hours=3), NOW - timedelta(hours=1))


def test_time_that_is_yet_to_come_is_no_gap() -> None:
    air = Line("air", [at(-1), at(0)], [-20, -20], longest_s=3600)
    it = chart(NOW - timedelta(hours=1), NOW + timedelta(hours=8), [air], write=WRITE, unit="°C")
    assert it.gaps == []
    assert it.under.now == pytest.approx(11.11, abs=0.01)


def test_a_line_is_thick_only_where_it_lies_above_its_limit() -> None:
    air = Line("air", [at(-3), at(-2), at(-1), at(0)], [-20, -10, -9, -20], thick_above=-18)
    it = chart(NOW - timedelta(hours=3), NOW, [air], write=WRITE, unit="°C")
    assert it.lines[0].thick.startswith("M333.3,")
    assert it.lines[0].thick.count("L") == 1


def test_warmer_is_higher_and_later_is_further_right() -> None:
    air = Line("air", [at(-2), at(-1), at(0)], [-30, -20, -10], [-31, -21, -11], [-29, -19, -9])
    limit = Limit(-18, "limit")
    it = chart(NOW - timedelta(hours=2), NOW, [air], write=WRITE, unit="°C", limits=[limit])
    first, second, third = it.lines[0].path[1:].split("L")
    assert [float(point.split(",")[0]) for point in (first, second, third)] == [0, 500, 1000]
    heights = [float(point.split(",")[1]) for point in (first, second, third)]
    assert heights == sorted(heights, reverse=True)
    assert heights[2] < it.limits[0].at * 10 < heights[1]
    assert all(0 <= label.at <= 100 for label in it.values)


def test_days_begin_at_the_sites_midnight_also_when_the_clocks_change() -> None:
    begin, end = datetime(2026, 10, 30, 5, tzinfo=UTC), datetime(2026, 11, 4, 6, tzinfo=UTC)
    it = chart(begin, end, [], write=WRITE, unit="°C")
    assert [label.words for label in it.times] == [
        "30 Oct", "31 Oct", "1 Nov", "2 Nov", "3 Nov", "4 Nov",
    ]  # fmt: skip
    hours = [label.at * 1.21 for label in it.times]
    assert [round(b - a) for a, b in pairwise(hours)] == [24, 24, 25, 24, 24]


@pytest.mark.parametrize("hours", [1, 6, 24, 24 * 7, 24 * 30, 24 * 365, 24 * 1826, 24 * 20000])
def test_an_axis_has_a_few_labels_and_a_table_few_rows_whatever_the_time(hours: int) -> None:
    begin = NOW - timedelta(hours=hours)
    every = [begin.timestamp() + i * hours * 3600 / 700 for i in range(700)]
    it = chart(begin, NOW, [Line("air", every, [-20.0] * 700)], write=WRITE, unit="°C")
    assert 1 <= len(it.times) <= 13
    assert 2 <= len(it.rows) <= 60
    assert 2 <= len(it.values) <= 10


def test_the_table_says_the_same_as_the_line() -> None:
    air = Line("air", [at(-2), at(-1.5), at(-0.5)], [-20, -18, -10], [-21, -19, -11], [-9, -8, -7])
    it = chart(NOW - timedelta(hours=2), NOW, [air], write=WRITE, unit="°C")
    cells = [row.cells[0] for row in it.rows if row.cells[0]]
    assert [cell.value for cell in cells] == [-20, -18, -10]
    assert min(cell.low for cell in cells) == -21 and max(cell.high for cell in cells) == -7
    assert any(row.cells[0] is None for row in it.rows), "a time without a value says so"


def test_steps_hold_their_value_until_the_next_and_from_before_the_chart() -> None:
    diet = Line("diet", [at(-100), at(-5)], [2.0, 3.0], shape="steps")
    it = chart(NOW - timedelta(hours=10), NOW, [diet], write=WRITE, unit="kg", lowest=0)
    assert it.lines[0].path.startswith("M0,") and it.lines[0].path.endswith("H1000")
    first = it.rows[0].cells[0]
    assert first is not None and first.value == 2.0


def test_stretches_and_notches_outside_of_the_time_are_left_out() -> None:
    early = NOW - timedelta(days=9)
    far = Stretch(early, early + timedelta(hours=1), "long ago")
    near = Stretch(NOW - timedelta(hours=30), NOW - timedelta(hours=12), "warm")
    pulls = Track("Pulls", "", notches=[Notch(NOW - timedelta(hours=6), "pull"), Notch(early, "")])
    it = chart(
        NOW - timedelta(days=1), NOW, [],
        write=WRITE, unit="°C", stretches=[far, near], tracks=[pulls],
    )  # fmt: skip
    (stretch,) = it.stretches
    assert (stretch.x, stretch.width, stretch.says) == (0.0, 50.0, "warm")
    assert [piece.x for piece in it.under.tracks[0].pieces] == [75.0]
    assert it.empty


def test_a_chart_that_ends_before_it_begins_is_refused() -> None:
    with pytest.raises(ValueError, match="ends after"):
        chart(NOW, NOW, [], write=WRITE, unit="°C")
