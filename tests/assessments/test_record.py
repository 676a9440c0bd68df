"""The one-page record: it is a page, and words are words."""

import re
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest

from service.assessments.actions import recording
from service.assessments.queries import shown
from service.assessments.rules.chart import HEIGHT_MM, WIDTH_MM, Limit, Measured, chart
from service.assessments.rules.figures import Line
from service.excursions.models import Excursion
from service.quantities import TemperatureUnit
from tests.assessments.outages import core, decide, readings, watched
from tests.assessments.test_flow import a_warm_night
from tests.kitchen import START, Kitchen

UTC_ZONE = ZoneInfo("UTC")


def pages(pdf: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


def test_a_decided_excursion_is_one_page_with_everything_on_it(kitchen: Kitchen) -> None:
    lot, number = a_warm_night(kitchen)
    core(kitchen, lot, "-13.4 °C", carton="front, left")
    decide(kitchen.vet, number, {lot: "hold"})
    answer = kitchen.person("inspector").get(f"/excursions/{number}/record")
    assert answer.headers["content-type"] == "application/pdf"
    assert answer.content.startswith(b"%PDF") and pages(answer.content) == 1
    with kitchen.looking() as session:
        it = shown.standing(session, session.get_one(Excursion, number), at=kitchen.clock())
        words = recording.words(session, it, kitchen.clock())
    said = str(words)
    for part in (
        lot,
        "front, left",
        "−13.4",
        "hold",
        "the door has a spring now",
        "vet",
        "decided",
    ):
        assert part in said, part


@pytest.mark.parametrize(
    "words", ['"); #panic("x")', '#read("/etc/passwd")', "$ _ * # \\ ` <b>", "魚 🐟 ̈", "a" * 900]
)
def test_whatever_people_write_is_printed_and_never_run(small_kitchen: Kitchen, words: str) -> None:
    lot, number = a_warm_night(small_kitchen)
    core(small_kitchen, lot, "-13.4 °C", carton=words[:200])
    signed = decide(small_kitchen.vet, number, {lot: "hold"}, reason=words, corrective_action=words)
    assert signed.status_code == 201
    answer = small_kitchen.keeper.get(f"/excursions/{number}/record")
    assert answer.status_code == 200 and pages(answer.content) == 1


def test_an_excursion_without_fish_or_decision_is_a_page_too(small_kitchen: Kitchen) -> None:
    readings(small_kitchen, {11.0: -9.0})
    watched(small_kitchen)
    number = small_kitchen.keeper.shown("/excursions")["items"][0]["id"]
    answer = small_kitchen.keeper.get(f"/excursions/{number}/record")
    assert answer.status_code == 200 and pages(answer.content) == 1


def a_line(values: list[float], apart: float = 0.0) -> Line:
    at = [START + timedelta(hours=number) for number in range(len(values))]
    return Line(
        at=at, value=values, low=[v - apart for v in values], high=[v + apart for v in values]
    )


def test_everything_is_drawn_inside_the_chart_with_cold_below_warm() -> None:
    air, core_ = a_line([-22, -8, -6, -20]), a_line([-22, -18, -12, -13], 2.0)
    drawn = chart(
        air,
        core_,
        limits=[Limit(-12.0, "core limit")],
        checks=[Measured(START + timedelta(hours=2), -13.0, True)],
        begun=START,
        ended=START + timedelta(hours=3),
        warm_above_c=-18.0,
        zone=UTC_ZONE,
        unit=TemperatureUnit.C,
    )
    every = [p[:2] for p in (*drawn.core, *drawn.core_between, *drawn.checks, *drawn.air[0])]
    assert all(0 <= x <= WIDTH_MM and 0 <= y <= HEIGHT_MM for x, y in every)
    (line,) = drawn.air
    assert line[2][1] < drawn.limits[0].at_mm < line[0][1]
    assert drawn.warm == ((line[1][0], line[3][0]),)
    assert drawn.silent == ()
    assert [m.word for m in drawn.bounds] == ["begins", "ends"]


def test_where_nobody_measured_the_line_is_broken_and_its_bounds_are_shown() -> None:
    air = Line(
        at=[START + timedelta(hours=h) for h in range(5)],
        value=[-20, -19, -12, -19, -20],
        low=[-20, -19, -20, -19, -20],
        high=[-20, -19, -5, -19, -20],
    )
    drawn = chart(
        air,
        None,
        limits=[],
        checks=[],
        begun=START,
        ended=None,
        warm_above_c=-18.0,
        zone=UTC_ZONE,
        unit=TemperatureUnit.C,
    )
    assert [len(piece) for piece in drawn.air] == [2, 2]
    assert len(drawn.silent) == len(drawn.air_between) == 1
    assert drawn.warm == ()


def test_hours_are_those_of_the_site_and_degrees_of_its_unit() -> None:
    air = a_line([-20.0] * 12)
    drawn = chart(
        air,
        None,
        limits=[],
        checks=[],
        begun=START,
        ended=None,
        warm_above_c=None,
        zone=ZoneInfo("America/New_York"),
        unit=TemperatureUnit.F,
    )
    assert drawn.hours[0].word == "01"  # 06:00 UTC in November
    assert {m.word for m in drawn.degrees} <= {f"−{n}" for n in range(1, 20)} | {"0"}
