"""Laws of looks, clocks and cartons, without a database."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.decisions import Outcome
from service.ledger.rules import out_of_cartons
from service.science.estimate import Estimate
from service.site.rules import PlaceKind, default_policy
from service.thawing.rules.clocks import Warned, drip_finding, warning_due
from service.thawing.rules.looks import (
    Look,
    Method,
    Part,
    Thaw,
    found_by_core,
    frozen_inside_at,
    thawed_at,
    warmth_of,
)
from service.thawing.rules.moving import after_moving

START = datetime(2031, 5, 1, 6, tzinfo=UTC)
SEVERITY = [Outcome.PASS, Outcome.WARN, Outcome.BLOCK]
FAR = [Thaw.FROZEN, Thaw.PART_THAWED, Thaw.THAWED]
groups = st.sampled_from(["fatty", "medium", "lean"])
looks = st.lists(
    st.builds(
        Look,
        seen_at=st.integers(0, 100).map(lambda h: START + timedelta(hours=h)),
        found=st.sampled_from([None, *FAR]),
        method=st.sampled_from([None, *Method]),
    ),
    max_size=8,
)


@given(groups, st.floats(-40, 20), st.floats(0, 20))
def test_a_warmer_core_is_never_less_thawed(group: str, core_c: float, more: float) -> None:
    colder, warmer = found_by_core(core_c, group), found_by_core(core_c + more, group)
    assert FAR.index(colder) <= FAR.index(warmer)


@given(st.sampled_from(Part), st.sampled_from(PlaceKind), st.floats(-30, 40), st.floats(0, 20))
def test_warmer_is_never_judged_better(
    part: Part, kind: PlaceKind, measured_c: float, more: float
) -> None:
    def judged(c: float) -> int:
        look = Look(START, method=Method.THERMOMETER, part=part, measured_c=c, kind=kind)
        (found,) = warmth_of(look, default_policy())
        return SEVERITY.index(found.outcome)

    assert judged(measured_c) <= judged(measured_c + more)


@given(looks, looks)
def test_another_look_never_makes_fish_thawed_later(some: list[Look], more: list[Look]) -> None:
    first, both = thawed_at(some), thawed_at([*some, *more])
    assert first is None or (both is not None and both <= first)


@given(looks)
def test_fish_is_not_known_frozen_after_it_was_found_thawed_nor_by_touch(seen: list[Look]) -> None:
    frozen, thawed = frozen_inside_at(seen), thawed_at(seen)
    assert frozen is None or thawed is None or frozen < thawed
    if not any(look.method is Method.THERMOMETER for look in seen):
        assert frozen is None


@given(st.floats(0.1, 200), st.tuples(*[st.floats(1, 100)] * 3), st.floats(0.1, 1), st.floats(1, 3))
def test_moved_fish_is_thawed_between_now_and_all_of_it_in_the_new_place(
    gone_h: float, whole: tuple[float, float, float], fast: float, slow: float
) -> None:
    low, value, high = sorted(whole)
    there = Estimate(value, value * fast, value * slow)
    hours, early, late = after_moving(gone_h, (value, low, high), there)
    assert gone_h <= early <= hours <= late <= gone_h + there.high


@given(st.integers(0, 10**6), st.integers(1, 30_000), st.data())
def test_what_comes_out_of_cartons_is_what_was_taken(
    before_g: int, carton_g: int, data: st.DataObject
) -> None:
    taken = data.draw(st.integers(0, before_g))
    out = out_of_cartons(before_g, taken, carton_g)
    assert out.opened_g + out.whole * carton_g + out.newly_opened_g == taken
    assert 0 <= out.newly_opened_g < carton_g and out.opened_g <= before_g % carton_g


@pytest.mark.parametrize(
    ("hours_left", "told"),
    # four hours and one: our defaults; the end itself still counts
    [
        (4.01, None),
        (4, Warned.FIRST),
        (1.01, Warned.FIRST),
        (1, Warned.LAST),
        (0, Warned.LAST),
        (-0.001, Warned.ENDED),
    ],
)
def test_the_most_urgent_warning_is_told(hours_left: float, told: Warned | None) -> None:
    until = START + timedelta(hours=hours_left)
    assert warning_due(until, default_policy(), START) == told


def test_fish_that_came_to_nothing_drips_nothing() -> None:
    assert drip_finding(0, 0, default_policy()).numbers["percent"] == 0.0
