"""Laws of the stock book: no sequence of events changes the grams received."""

import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, precondition, rule, run_state_machine_as_test

from tests.conftest import Templates, fresh_address
from tests.ledger.books import ARRIVAL, Books, check_laws

FREEZERS = ("FZ1", "FZ2")
PLACES = (*FREEZERS, "TANK1", "KITCHEN")
FEW = settings(
    max_examples=12,
    stateful_step_count=25,
    deadline=None,
    derandomize=True,
    database=None,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)


@pytest.fixture(scope="module")
def furnished(templates: Templates) -> Path:
    """A SQLite file with places, products and an animal, to be copied for each example."""
    return Path(templates.set_up["sqlite"].template)


class Copies:
    """Books on copies of one furnished file, all gone in the end."""

    def __init__(self, furnished: Path) -> None:
        self.furnished = furnished
        self._folder = tempfile.TemporaryDirectory()
        self._open: list[Books] = []

    def new(self) -> Books:
        file = Path(self._folder.name) / f"{len(self._open)}.db"
        shutil.copy(self.furnished, file)
        self._open.append(Books(f"sqlite:///{file}"))
        return self._open[-1]

    def __enter__(self) -> "Copies":
        return self

    def __exit__(self, *_: object) -> None:
        for books in self._open:
            books.close()
        self._folder.cleanup()


grams = st.integers(1, 45_000)
places = st.sampled_from(PLACES)
minutes_ago = st.sampled_from([0, 0, 0, 3, 20, 90])
picks = st.integers(0, 10_000)
facts = st.booleans()


class Kitchenful(RuleBasedStateMachine):
    """Anything that people do to stock, in any order, on time and late, permitted and not."""

    copies: Copies
    address: str | None = None

    def __init__(self) -> None:
        super().__init__()
        self.books = Books(self.address) if self.address else self.copies.new()
        self.books.at = max(ARRIVAL, self.books.at)
        self.receive("HER", 50_003, 7, "FZ1")
        self.receive("CAP", 60_000, 5, "FZ1")

    def teardown(self) -> None:
        if self.address:
            self.books.close()

    def _when(self, ago: int, fact: bool) -> dict[str, Any]:
        at = self.books.at - timedelta(minutes=ago)
        return {"occurred_at": at, "already_done": fact}

    def _of(self, things: Sequence[Any], pick: int) -> Any:
        return things[pick % len(things)]

    @rule(species=st.sampled_from(["HER", "CAP"]), mass=grams, n=st.integers(1, 7), place=places)
    def receive(self, species: str, mass: int, n: int, place: str) -> None:
        self.books.receive(species, max(mass, n), cartons=n, place=place)
        check_laws(self.books)

    @rule(minutes=st.integers(1, 40))
    def wait(self, minutes: int) -> None:
        self.books.at += timedelta(minutes=minutes)

    @rule(pick=picks, origin=places, to=places, mass=grams, ago=minutes_ago, fact=facts)
    def move(self, pick: int, origin: str, to: str, mass: int, ago: int, fact: bool) -> None:
        lot = self._of(self.books.lots, pick)
        self.books.move(lot, origin, to, mass, **self._when(ago, fact))
        check_laws(self.books)

    @rule(pick=picks, origin=places, mass=grams, ago=minutes_ago, fact=facts)
    def pull(self, pick: int, origin: str, mass: int, ago: int, fact: bool) -> None:
        lot = self._of(self.books.lots, pick)
        request = self._of([None, *self.books.requests], pick)
        self.books.pull(lot, origin, mass, request=request, **self._when(ago, fact))
        check_laws(self.books)

    @precondition(lambda self: self.books.batches)
    @rule(pick=picks, offered=grams, share=st.integers(0, 4), ago=minutes_ago, fact=facts)
    def feed(self, pick: int, offered: int, share: int, ago: int, fact: bool) -> None:
        batch = self._of(self.books.batches, pick)
        self.books.feed(batch, offered, offered * share // 4, **self._when(ago, fact))
        check_laws(self.books)

    @precondition(lambda self: self.books.batches)
    @rule(pick=picks, mass=grams, ago=minutes_ago, fact=facts)
    def discard(self, pick: int, mass: int, ago: int, fact: bool) -> None:
        self.books.discard(self._of(self.books.batches, pick), mass, **self._when(ago, fact))
        check_laws(self.books)

    @precondition(lambda self: self.books.batches)
    @rule(pick=picks, to=st.sampled_from(FREEZERS), mass=grams, ago=minutes_ago, fact=facts)
    def put_back(self, pick: int, to: str, mass: int, ago: int, fact: bool) -> None:
        batch = self._of(self.books.batches, pick)
        self.books.put_back(batch, to, mass, **self._when(ago, fact))
        check_laws(self.books)

    @rule(pick=picks, place=places, mass=st.one_of(st.just(0), grams), ago=minutes_ago)
    def count(self, pick: int, place: str, mass: int, ago: int) -> None:
        lot = self._of(self.books.lots, pick)
        at = self.books.at - timedelta(minutes=ago)
        self.books.count(lot, place, mass, occurred_at=at)
        check_laws(self.books)
        if ago == 0:
            assert self.books.by_lot_and_place().get((lot, place), 0) == mass

    @rule(mass=st.one_of(st.just(0), grams), ago=minutes_ago)
    def count_blocks(self, mass: int, ago: int) -> None:
        """The first lot is of blocks: cartons are lost and found by counts."""
        self.count(0, "FZ1", mass, ago)

    @rule(mass=grams, ago=minutes_ago, fact=facts)
    def move_blocks(self, mass: int, ago: int, fact: bool) -> None:
        self.move(0, "FZ1", "FZ2", mass, ago, fact)

    @rule(
        pick=picks,
        place=st.none() | places,
        mass=st.none() | grams,
        back=st.booleans(),
        ago=minutes_ago,
        fact=facts,
    )
    def remove(
        self, pick: int, place: str | None, mass: int | None, back: bool, ago: int, fact: bool
    ) -> None:
        """Condemned, or back to the supplier."""
        remove = self.books.give_back if back else self.books.condemn
        remove(self._of(self.books.lots, pick), place, mass, **self._when(ago, fact))
        check_laws(self.books)

    @rule(pick=picks)
    def reverse(self, pick: int) -> None:
        self.books.reverse(self._of(self.books.movements[::-1], pick % 8))
        check_laws(self.books)

    @rule(species=st.sampled_from(["HER", "CAP"]), mass=grams)
    def plan(self, species: str, mass: int) -> None:
        self.books.plan(species, mass)
        check_laws(self.books)

    @precondition(lambda self: self.books.requests)
    @rule(pick=picks)
    def cancel(self, pick: int) -> None:
        self.books.cancel(self._of(self.books.requests, pick))
        check_laws(self.books)


def test_no_sequence_of_events_changes_the_grams_received(furnished: Path) -> None:
    with Copies(furnished) as copies:
        machine = type("OnSqlite", (Kitchenful,), {"copies": copies})
        run_state_machine_as_test(machine, settings=FEW)


def test_no_sequence_of_events_changes_the_grams_received_on_postgresql(
    templates: Templates, tmp_path: Path
) -> None:
    made = templates.set_up["postgresql"].template
    for address in fresh_address("postgresql", templates, tmp_path, made):
        machine = type("OnPostgresql", (Kitchenful,), {"address": address})
        few = settings(FEW, max_examples=3, stateful_step_count=12)
        run_state_machine_as_test(machine, settings=few)


@dataclass(frozen=True)
class Happening:
    """One thing that happened, at a minute of the day; a fact, whenever it is recorded."""

    minute: int
    what: str
    lot: int
    place: str
    grams: int
    batch: int = 0

    @property
    def at(self) -> datetime:
        return ARRIVAL + timedelta(minutes=self.minute)


def tell(books: Books, happening: Happening, batches: dict[int, str]) -> None:
    """Record a happening in the books, as a fact; a pull remembers its batch."""
    when: dict[str, Any] = {"occurred_at": happening.at, "already_done": True}
    lot, place, mass = books.lots[happening.lot], happening.place, happening.grams
    batch = batches.get(happening.batch, "")
    if happening.what == "move":
        books.move(lot, place, "FZ2" if place == "FZ1" else "FZ1", mass, **when)
    elif happening.what == "pull":
        batches[happening.batch] = books.pull(lot, place, mass, **when) or ""
    elif happening.what == "count":
        books.count(lot, place, mass, occurred_at=happening.at)
    elif happening.what == "feed":
        books.feed(batch, mass, mass // 2, **when)
    elif happening.what == "discard":
        books.discard(batch, mass, **when)
    elif happening.what == "condemn":
        books.condemn(lot, place, mass, **when)
    elif happening.what == "return":
        books.give_back(lot, place, mass, **when)
    else:
        books.put_back(batch, place, mass, **when)


HAPPEN = (
    *("move", "move", "pull", "count", "feed", "discard", "back"),
    *("condemn", "return"),
)
masses = st.integers(1, 30) | st.integers(1, 12_000)


@st.composite
def days(draw: st.DrawFn) -> tuple[list[Happening], list[Happening]]:
    """What happened on a day in order of time, and the same in an order of recording.

    A batch is recorded before what happened to it: its label is printed by the pull.
    """
    day: list[Happening] = []
    pulls: list[Happening] = []
    for minute in range(1, draw(st.integers(2, 9)) + 1):
        what = draw(st.sampled_from(HAPPEN))
        lot, place, mass = draw(st.integers(0, 1)), draw(st.sampled_from(FREEZERS)), draw(masses)
        if what in ("feed", "discard", "back"):
            if not pulls:
                continue
            of = draw(st.sampled_from(pulls))
            day.append(Happening(minute, what, of.lot, place, mass, of.batch))
        else:
            day.append(Happening(minute, what, lot, place, mass, minute if what == "pull" else 0))
        if what == "pull":
            pulls.append(day[-1])
    recorded = draw(st.permutations(day))
    for pull in pulls:
        using = [h for h in recorded if h.batch == pull.batch]
        recorded = [h for h in recorded if h.batch != pull.batch]
        using.sort(key=lambda h: h.what != "pull")
        recorded += using
    return day, recorded


def two_lots(books: Books) -> None:
    for _ in range(2):
        books.receive("CAP", 10_000, cartons=None, place="FZ1")


ONCE = settings(FEW, max_examples=15)


def test_late_records_give_the_same_books_as_the_same_records_in_time(furnished: Path) -> None:
    with Copies(furnished) as copies:

        @ONCE
        @given(days())
        def law(both: tuple[list[Happening], list[Happening]]) -> None:
            day, recorded = both
            in_time, late = copies.new(), copies.new()
            for books, order in ((in_time, day), (late, recorded)):
                two_lots(books)
                batches: dict[int, str] = {}
                for number, happening in enumerate(order):
                    evening = ARRIVAL + timedelta(hours=12, minutes=number)
                    books.at = happening.at if books is in_time else evening
                    tell(books, happening, batches)
                    check_laws(books)
            assert late.by_account() == in_time.by_account()
            assert late.by_lot_and_place() == in_time.by_lot_and_place()

        law()


def test_what_is_recorded_by_mistake_and_taken_back_leaves_no_trace_in_the_balances(
    furnished: Path,
) -> None:
    with Copies(furnished) as copies:

        @ONCE
        @given(days())
        def law(both: tuple[list[Happening], list[Happening]]) -> None:
            _, recorded = both
            books = copies.new()
            two_lots(books)
            batches: dict[int, str] = {}
            for number, happening in enumerate(recorded):
                books.at = ARRIVAL + timedelta(hours=12, minutes=number)
                before = books.state()
                tell(books, happening, batches)
                after = books.state()
                assert books.reverse(books.movements[-1])
                check_laws(books)
                assert books.state() == before, happening
                if happening.what == "pull":
                    batches.pop(happening.batch)
                tell(books, happening, batches)
                assert books.state() == after, happening

        law()
