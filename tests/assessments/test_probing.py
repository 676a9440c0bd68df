"""Which few cartons to probe. The oracle tries every choice of so many cartons."""

from itertools import accumulate, product

from hypothesis import given
from hypothesis import strategies as st

from service.assessments.rules.probing import Probe, Unsettled, probes, settled_share, straddles
from service.checks.rules import Position
from service.science.estimate import Estimate

LIMIT_C = -12.0


def a_range(low: float, value: float, high: float) -> Estimate:
    return Estimate(value, low, high, "°C")


@st.composite
def lots(draw: st.DrawFn) -> Unsettled:
    low, value, high = sorted(draw(st.tuples(*[st.floats(-22, -4)] * 3)))
    colder = draw(st.floats(0, 6))
    middle = a_range(low - colder, value - colder, high - colder)
    return Unsettled(
        lot=f"L{draw(st.integers(0, 999)):03d}",
        place="FZ1",
        grams=draw(st.integers(1, 900_000)),
        corner_c=a_range(low, value, high),
        middle_c=middle,
        outer_share=draw(st.floats(0, 1)),
    )


def settled_by(found: list[Probe], many: int) -> float:
    return found[min(many, len(found)) - 1].settled_g if found and many else 0.0


def best_of_all(groups: list[Unsettled]) -> list[float]:
    """The most that any so many cartons settle, from none on: every choice is tried."""
    choices = [(), (Position.CORNER,), (Position.MIDDLE,), tuple(Position)]
    settled = [[(len(w), g.grams * settled_share(g, w, LIMIT_C)) for w in choices] for g in groups]
    best = [0.0] * (2 * len(groups) + 1)
    for chosen in product(*settled):
        many = sum(cartons for cartons, _ in chosen)
        best[many] = max(best[many], sum(grams for _, grams in chosen))
    return list(accumulate(best, max))


@given(st.lists(lots(), min_size=1, max_size=4))
def test_no_other_choice_of_as_many_cartons_settles_more(groups: list[Unsettled]) -> None:
    found = probes(groups, LIMIT_C)
    for many, best in enumerate(best_of_all(groups)):
        # A gain of less than a gram is not asked for.
        assert settled_by(found, many) >= best - 2.0 * len(groups) - 1e-6


@given(st.lists(lots(), max_size=5))
def test_each_next_carton_settles_no_more_than_the_one_before(groups: list[Unsettled]) -> None:
    gains = [probe.gain_g for probe in probes(groups, LIMIT_C)]
    assert gains == sorted(gains, reverse=True)
    assert all(gain >= 1.0 for gain in gains)


@given(st.lists(lots(), max_size=5))
def test_the_order_in_which_lots_are_listed_changes_nothing(
    groups: list[Unsettled],
) -> None:
    unique = list({g.lot: g for g in groups}.values())
    turned = unique[::-1]
    assert probes(unique, LIMIT_C) == probes(turned, LIMIT_C)


def test_of_two_lots_alike_the_heavier_is_probed_first() -> None:
    open_ = a_range(-15.0, -12.5, -9.0)
    middle = a_range(-20.0, -19.0, -18.0)
    light = Unsettled("A", "FZ1", 50_000, open_, middle, 0.5)
    heavy = Unsettled("B", "FZ1", 500_000, open_, middle, 0.5)
    assert probes([light, heavy], LIMIT_C)[0].lot == "B"


def test_a_corner_that_may_be_cold_comes_before_the_middle_of_the_same_stack() -> None:
    lot = Unsettled(
        "A", "FZ1", 100_000, a_range(-15.0, -13.5, -10.0), a_range(-21.0, -20.0, -19.0), 0.6
    )
    assert [p.position for p in probes([lot], LIMIT_C)] == [Position.CORNER, Position.MIDDLE]


def test_where_even_the_middle_is_likely_warm_it_is_probed_first() -> None:
    lot = Unsettled("A", "FZ1", 100_000, a_range(-9.0, -7.0, -5.0), a_range(-11.6, -9.0, -7.0), 0.2)
    assert probes([lot], LIMIT_C)[0].position is Position.MIDDLE


def test_a_lot_whose_range_is_all_on_one_side_is_settled_by_one_carton() -> None:
    cold = Unsettled("A", "FZ1", 100, a_range(-20, -19, -18), a_range(-21, -20, -19), 0.5)
    assert settled_share(cold, [Position.CORNER], LIMIT_C) == 1.0
    assert not straddles(cold.corner_c, LIMIT_C)
    assert straddles(a_range(-14, -13, -10), LIMIT_C)


def test_a_range_within_the_thermometers_error_of_the_limit_cannot_be_settled() -> None:
    at_limit = a_range(-12.2, -12.0, -11.8)
    lot = Unsettled("A", "FZ1", 100_000, at_limit, at_limit, 1.0)
    assert settled_share(lot, Position, LIMIT_C) < 0.05
