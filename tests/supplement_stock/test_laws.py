"""Whatever happens to a cupboard, in whatever order it is told: pieces add up."""

from collections.abc import Iterator
from datetime import timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlmodel import Session, col, func, select

from service.security.actor import SERVICE
from service.supplement_stock import queries
from service.supplement_stock.actions.posting import Movement, post
from service.supplement_stock.actions.taking import give_back, take
from service.supplement_stock.models import SupplementBatch, SupplementMovement
from service.supplement_stock.rules import Kind, Taken, balance
from tests.kitchen import START, Kitchen
from tests.supplement_stock.cupboard import TODAY, a_jar, a_product

STEP = st.tuples(
    st.sampled_from(["received", "given", "wasted", "counted", "back"]),
    st.integers(0, 48),  # hours ago: told late as often as not
    st.integers(1, 60),  # thousandths × 500
)


class _Undone(Exception):
    """Leaves the database as it was for the next example."""


@pytest.fixture
def jars(kitchen: Kitchen) -> Iterator[tuple[Kitchen, list[int]]]:
    a_product(kitchen)
    yield kitchen, [a_jar(kitchen, code, received=10)["id"] for code in ("one", "two")]


def tell(session: Session, jar: int, number: int, step: tuple[str, int, int]) -> None:
    what, hours, size = step
    when, milli = START - timedelta(hours=hours), size * 500
    if what in ("given", "wasted"):
        taken = Taken(jar, milli / 1000, Kind(what), f"given {number}", when)
        take(session, [taken], day=TODAY, at=START, by=SERVICE)
    elif what == "back":
        references = [f"given {n}" for n in range(max(0, number - size % 5), number)]
        give_back(session, references, reason="told wrongly", at=START, by=SERVICE)
    else:
        counted = milli if what == "counted" else None
        change = 0 if what == "counted" else milli
        new = Movement(jar, Kind(what), when, TODAY, change, counted)
        post(session, queries.locked(session, [jar]).values(), [new], at=START, by="law")


@settings(
    max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(st.lists(st.tuples(st.integers(0, 1), STEP), max_size=12))
def test_no_sequence_of_events_makes_or_loses_a_piece(jars, told) -> None:  # type: ignore[no-untyped-def]
    """What is left is the sum of the movements, never below zero, and what a replay gives."""
    kitchen, numbers = jars
    with pytest.raises(_Undone), kitchen.writing() as session:
        for number, (which, step) in enumerate(told):
            tell(session, numbers[which], number, step)
            for row in queries.locked(session, numbers).values():
                assert row.left_milli >= 0
                summed = session.exec(
                    select(func.sum(col(SupplementMovement.milli))).where(
                        col(SupplementMovement.batch_id) == row.id
                    )
                ).one()
                assert summed == row.left_milli
                jar = row.id or 0
                events = queries.entries(session, [jar]).get(jar, [])
                assert balance(events).milli == row.left_milli
        raise _Undone


@settings(
    max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(
    st.lists(
        st.tuples(st.sampled_from(["received", "given", "counted"]), st.integers(1, 60)),
        max_size=8,
    ),
    st.randoms(use_true_random=False),
)
def test_told_late_or_in_time_the_same_is_left(jars, happened, random) -> None:  # type: ignore[no-untyped-def]
    """Each at an hour of its own, told in order and in any other."""
    kitchen, (one, two) = jars
    steps = [(what, 40 - n, size) for n, (what, size) in enumerate(happened)]
    with pytest.raises(_Undone), kitchen.writing() as session:
        for jar in (one, two):  # both were filled before anything else
            row = session.get_one(SupplementBatch, jar)
            new = Movement(jar, Kind.COUNTED, START - timedelta(hours=48), TODAY, 0, 10_000)
            post(session, [row], [new], at=START, by="law")
            first = session.exec(
                select(SupplementMovement).where(
                    col(SupplementMovement.batch_id) == jar,
                    col(SupplementMovement.kind) == Kind.RECEIVED,
                )
            ).one()
            undone = Movement(
                jar,
                Kind.REVERSED,
                first.occurred_at,
                TODAY,
                -first.milli,
                reverses_id=first.id,
            )
            post(session, [row], [undone], at=START, by="law")
        for number, step in enumerate(steps):
            tell(session, one, number, step)
        random.shuffle(steps)
        for number, step in enumerate(steps):
            tell(session, two, 100 + number, step)
        left = [session.get_one(SupplementBatch, jar).left_milli for jar in (one, two)]
        assert left[0] == left[1]
        raise _Undone
