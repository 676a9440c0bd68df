"""How many cartons are opened, and which: by anybody, again.

CXS 233-1969, sampling plans 1 and 2 [from memory (high); n, c and lot bounds of plan 2 as in
21 CFR 158.3]: up to 600 cartons of more than 4.5 kg, level I: 6 and 1; 601 to 2000: 13 and 2.
"""

import hashlib
from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.inspections.rules.cartons import Load, Sample, Third, drawn, sample_of, third_of
from service.inspections.rules.checklist import Purpose
from service.inspections.rules.purpose import due_purpose, purpose_finding
from service.site.rules import default_policy

POLICY = default_policy()
PURPOSES = st.sampled_from(list(Purpose))
KEYS = st.text(min_size=1, max_size=20)


def sample(cartons: int, purpose: Purpose, failures: int = 0, carton_g: int = 10_000) -> Sample:
    return sample_of(Load(cartons, carton_g), purpose, policy=POLICY, failures=failures)


@pytest.mark.parametrize(
    ("cartons", "purpose", "expected"),
    [
        (600, Purpose.NEW_SUPPLIER, (6, 1, "I")),
        (601, Purpose.NEW_SUPPLIER, (13, 2, "I")),
        (2000, Purpose.NEW_SUPPLIER, (13, 2, "I")),
        (600, Purpose.DISPUTE, (13, 2, "II")),
        (601, Purpose.DISPUTE, (21, 3, "II")),
        (600, Purpose.ROUTINE, (3, 0, None)),
        (2, Purpose.ROUTINE, (2, 0, None)),
        (5, Purpose.NEW_SUPPLIER, (5, 0, None)),
        (6, Purpose.NEW_SUPPLIER, (6, 1, "I")),
    ],
)
def test_a_load_is_sampled_by_its_size_and_by_why_it_is_looked_at(
    cartons: int, purpose: Purpose, expected: tuple[int, int, str | None]
) -> None:
    found = sample(cartons, purpose)
    assert (found.size, found.accept, found.level) == expected


@pytest.mark.parametrize(
    ("failures", "size", "accept"), [(0, 3, 0), (1, 6, 0), (2, 12, 0), (3, 13, 2), (5, 13, 2)]
)
def test_each_failed_inspection_doubles_the_routine_sample_up_to_the_standards(
    failures: int, size: int, accept: int
) -> None:
    # 640 cartons of 10 kg: level I opens 13 and allows 2. 3 × 2 = 6, 3 × 4 = 12, 3 × 8 = 24 > 13.
    found = sample(640, Purpose.ROUTINE, failures)
    assert (found.size, found.accept) == (size, accept)


@given(st.integers(1, 10**9), st.integers(1, 10**7), PURPOSES, st.integers(0, 20))
def test_there_is_a_sample_for_every_load_and_never_more_than_there_are(
    cartons: int, carton_g: int, purpose: Purpose, failures: int
) -> None:
    found = sample(cartons, purpose, failures, carton_g)
    assert 1 <= found.size <= cartons
    assert 0 <= found.accept < found.size
    assert found.accept == 0 or found.level is not None


@given(st.integers(1, 10**6), st.integers(0, 10))
def test_more_failures_and_a_stricter_purpose_never_open_fewer_cartons(
    cartons: int, failures: int
) -> None:
    routine = [sample(cartons, Purpose.ROUTINE, f).size for f in (failures, failures + 1)]
    assert routine == sorted(routine)
    sizes = [sample(cartons, purpose, failures).size for purpose in Purpose]
    assert sizes == sorted(sizes)


@given(st.integers(1, 5000), PURPOSES, KEYS, st.booleans())
def test_drawn_cartons_are_distinct_in_range_and_the_same_when_drawn_again(
    cartons: int, purpose: Purpose, key: str, spread: bool
) -> None:
    load, size = Load(cartons, 10_000), sample(cartons, purpose)
    chosen = drawn(load, size, key=key, spread=spread)
    assert len(set(chosen)) == len(chosen) == size.size
    assert all(1 <= carton <= cartons for carton in chosen)
    assert list(chosen) == sorted(chosen)
    assert chosen == drawn(load, size, key=key, spread=spread)


@given(st.integers(3, 5000), KEYS)
def test_a_routine_sample_of_three_comes_from_front_middle_and_back(cartons: int, key: str) -> None:
    chosen = drawn(Load(cartons, 10_000), Sample(3, 0, None), key=key, spread=True)
    assert [third_of(carton, cartons) for carton in chosen] == list(Third)


@given(st.integers(1, 3000))
def test_every_carton_stands_in_one_third_and_thirds_differ_by_one_carton_at_most(
    cartons: int,
) -> None:
    held = Counter(third_of(carton, cartons) for carton in range(1, cartons + 1))
    sizes = [held[third] for third in Third]
    assert sum(sizes) == cartons
    assert max(sizes) - min(sizes) <= 1


def test_anybody_can_draw_the_cartons_again_from_what_is_written_of_the_drawing() -> None:
    """The description of the module, done once more by other means: a whole list, shuffled."""
    key, cartons, size = "7/12/HER261102AAX/5f1e", 64, 6
    every = list(range(1, cartons + 1))
    k = 0
    for i in range(size):
        m = cartons - i
        while True:
            u = int(hashlib.sha256(f"{key}/{k}".encode()).hexdigest()[:16], 16)
            k += 1
            if u < 2**64 // m * m:
                break
        j = i + u % m
        every[i], every[j] = every[j], every[i]
    chosen = drawn(Load(cartons, 10_000), Sample(size, 1, "I"), key=key, spread=False)
    assert chosen == tuple(sorted(every[:size]))


def test_no_carton_is_drawn_more_often_than_another() -> None:
    """6 of 40 cartons, 4000 keys: 600 times each are expected; five standard deviations of a
    count (√(4000 × 0.15 × 0.85) = 22.6) are 113. The keys are fixed: it holds or not."""
    counted = Counter(
        carton
        for key in range(4000)
        for carton in drawn(Load(40, 10_000), Sample(6, 1, "I"), key=str(key), spread=False)
    )
    assert set(counted) == set(range(1, 41))
    assert all(abs(times - 600) < 113 for times in counted.values())


def test_first_deliveries_are_looked_at_as_those_of_a_new_supplier() -> None:
    assert [due_purpose(n, POLICY) for n in (0, 2, 3)] == [
        Purpose.NEW_SUPPLIER,
        Purpose.NEW_SUPPLIER,
        Purpose.ROUTINE,
    ]


@pytest.mark.parametrize(
    ("asked", "earlier", "outcome"),
    [
        (Purpose.ROUTINE, 0, "block"),
        (Purpose.NEW_SUPPLIER, 0, "pass"),
        (Purpose.DISPUTE, 0, "pass"),
        (Purpose.ROUTINE, 3, "pass"),
        (Purpose.DISPUTE, 3, "pass"),
    ],
)
def test_more_closely_than_due_is_always_allowed_and_less_only_by_the_manager(
    asked: Purpose, earlier: int, outcome: str
) -> None:
    found = purpose_finding(asked, earlier_deliveries=earlier, policy=POLICY)
    assert found.outcome == outcome
    assert found.may_override == ("manager",)
