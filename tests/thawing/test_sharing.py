"""Surplus shared over a day, against an exact integer program.

The program (SciPy's HiGHS, an independent solver) knows all requests of the day beforehand
and may divide any surplus among them; we meet the requests one after the other and never
take back what was told.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from service.thawing.rules.sharing import Spare, share
from service.thawing.rules.wanting import Part, Wanted, wanted_from
from service.thawing.rules.windows import Window

DAY = datetime(2026, 11, 26, tzinfo=UTC)
NOW = DAY - timedelta(hours=30)
THAW_H, PREPARATION_H, CLOCK_H = 13.0, 0.5, 24.0
CARTON_G = 10_000


@dataclass(frozen=True)
class Request:
    """What is wanted between two hours of the day."""

    first_h: int
    last_h: int
    grams: int

    @property
    def part(self) -> Part:
        hours = timedelta(hours=1)
        return Part(DAY + self.first_h * hours, DAY + self.last_h * hours, self.grams)


def window_of(part: Part) -> Window:
    """24 h before the last feed; a thaw and preparation before the first."""
    return Window(
        part.last - timedelta(hours=CLOCK_H),
        part.first - timedelta(hours=THAW_H + PREPARATION_H),
    )


def cartons_of_ours(requests: list[Request]) -> int:
    """One after the other, as they are asked."""
    spares: list[Spare] = []
    cartons = 0
    for number, request in enumerate(requests):
        part = request.part
        shared, missing = share(spares, part, now=NOW)
        for each in shared:
            at = spares.index(each.spare)
            assert each.window is not None
            assert not each.window.short_by, "nothing that is shared breaks its clock"
            spares[at] = each.rest
        pulled = -(-missing // CARTON_G)
        cartons += pulled
        if pulled * CARTON_G > missing:
            spares.append(
                Spare(
                    number,
                    1,
                    "L",
                    "HER",
                    pulled * CARTON_G - missing,
                    part.first,
                    part.last,
                    window_of(part),
                )
            )
    return cartons


def fewest_cartons(requests: list[Request]) -> int:
    """The exact least: each carton is pulled in one half hour, and serves whom it may then.

    Variables: cartons pulled in each half hour (whole), grams from each to each request.
    """
    starts = np.arange(-30.0, 12.0, 0.5)
    many, wanted = len(starts), np.array([r.grams for r in requests], dtype=float)
    serves = np.array(
        [
            [
                start + THAW_H + PREPARATION_H <= r.first_h and r.last_h <= start + CLOCK_H
                for r in requests
            ]
            for start in starts
        ]
    )
    flows = many * len(requests)
    supply = np.zeros((many, many + flows))
    demand = np.zeros((len(requests), many + flows))
    for i in range(many):
        supply[i, i] = CARTON_G
        for j in range(len(requests)):
            column = many + i * len(requests) + j
            supply[i, column] = -1.0
            demand[j, column] = 1.0
    cost = np.concatenate([np.ones(many), np.zeros(flows)])
    upper = np.concatenate([np.full(many, 50.0), np.where(serves.ravel(), wanted.sum(), 0.0)])
    found = milp(
        cost,
        integrality=np.concatenate([np.ones(many), np.zeros(flows)]),
        bounds=Bounds(np.zeros(many + flows), upper),
        constraints=[
            LinearConstraint(supply, np.zeros(many), np.full(many, np.inf)),
            LinearConstraint(demand, wanted, wanted),
        ],
    )
    assert found.success
    return round(float(found.fun))


requests_of_a_day = st.lists(
    st.builds(
        lambda first, length, grams: Request(first, min(20, first + length), grams),
        st.integers(6, 16),
        st.integers(0, 10),
        st.integers(100, 25_000),
    ),
    min_size=1,
    max_size=5,
)


@given(requests_of_a_day)
def test_sharing_surplus_never_takes_more_than_one_carton_beyond_the_exact_least(
    requests: list[Request],
) -> None:
    lawful = [r for r in requests if not window_of(r.part).short_by]
    if lawful:
        least = fewest_cartons(lawful)
        ours = cartons_of_ours(lawful)
        assert least <= ours <= least + 1


def test_requests_with_the_same_feeds_take_exactly_the_least() -> None:
    requests = [Request(8, 16, grams) for grams in (11_000, 9_500, 4_000, 6_200, 8_300)]
    assert cartons_of_ours(requests) == fewest_cartons(requests) == 4


@pytest.mark.parametrize(
    ("pulls", "grams"), [(1, [700]), (2, [550, 150]), (3, [200, 400, 100]), (4, [175, 375, 75, 75])]
)
def test_a_day_is_divided_by_time_and_loses_no_gram(pulls: int, grams: list[int]) -> None:
    # feeds at 8 and 12 of a day from 8 to 16, and 300 g that are shared out evenly
    feeds = ((DAY + timedelta(hours=8), 100), (DAY + timedelta(hours=12), 300))
    wanted = Wanted("HER", feeds, anytime_g=300)
    parts = wanted.parts(pulls, DAY + timedelta(hours=8), DAY + timedelta(hours=16))
    assert [part.grams for part in parts] == grams
    assert parts[0].first == DAY + timedelta(hours=8)
    assert parts[-1].last == DAY + timedelta(hours=16)


@given(st.integers(0, 900))
def test_what_is_there_already_is_taken_from_the_earliest_feeds(there: int) -> None:
    feeds = tuple((DAY + timedelta(hours=8 + n), 200) for n in range(3))
    left = Wanted("HER", feeds, anytime_g=100).less(there)
    assert left.grams == max(0, 700 - there)
    assert all(at >= DAY + timedelta(hours=8 + there // 200) for at, _ in left.feeds)
    assert wanted_from([left.as_json()]) == [left]
