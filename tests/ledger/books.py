"""A stock book to try sequences on: real actions on a real database, without HTTP between."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, TypeVar

from sqlalchemy import event, text
from sqlmodel import Session, col, select

from service.database import Database, open_database
from service.errors import FishhouseError, Invalid
from service.feeding import actions as feeding
from service.feeding.schemas import FeedIn
from service.ledger import queries
from service.ledger.actions import removing, stock
from service.ledger.models import Parcel, Reservation
from service.ledger.schemas import CondemnationIn, CountIn, MoveIn, SupplierReturnIn
from service.receiving.actions import arriving as receiving
from service.receiving.schemas import DeliveryIn
from service.security.actor import Actor
from service.security.rules import Role
from service.security.transactions import transaction
from service.thawing.actions import planning, pulling, replanning, tending
from service.thawing.schemas import DiscardIn, PullIn, PutBackIn, ThawRequestIn

Answer = TypeVar("Answer")
ARRIVAL = datetime(2026, 11, 20, 6, 0, tzinfo=UTC)
MANAGER = Actor(user_id=1, name="manager", role=Role.MANAGER)
PRODUCT_OF = {  # those of `tests.kitchen`
    "HER": "HER-BLOCK-10",
    "CAP": "CAP-IQF-12",
}

Grams = dict[tuple[str, str], int]


@dataclass
class Books:
    """One database and everything that was done in it, by number."""

    address: str
    at: datetime = ARRIVAL
    lots: list[str] = field(default_factory=list)
    batches: list[str] = field(default_factory=list)
    movements: list[int] = field(default_factory=list)
    requests: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.database: Database = open_database(self.address)
        if self.database.is_sqlite:  # these books need not outlive a power cut
            event.listen(self.database.writer, "connect", _hurry)

    def close(self) -> None:
        self.database.close()

    def do(self, what: Callable[[Session], Answer]) -> Answer:
        """One transaction, as a request would run it."""
        with transaction(self.database.writer) as session:
            return what(session)

    def tried(self, what: Callable[[Session], Answer], *, fact: bool) -> Answer | None:
        """One transaction that may be refused; but a fact is refused only if it is impossible."""
        try:
            return self.do(what)
        except FishhouseError as refusal:
            assert not fact or isinstance(refusal, Invalid), refusal
            return None

    def receive(self, species: str, grams: int, *, cartons: int | None, place: str) -> None:
        line = {
            "product": PRODUCT_OF[species],
            "caught_from": "2026-08-01",
            "mass": f"{grams} g",
            "cartons": cartons,
            "place": place,
        }
        order = DeliveryIn.model_validate(
            {"supplier": "NORD", "arrived_at": self.at, "lots": [line]}
        )
        self.lots.append(
            self.do(lambda s: receiving.receive(s, order, at=self.at, by=MANAGER)[1][0].lot.code)
        )
        self._remember_movement()

    def _remember_movement(self) -> None:
        self.movements.append(int(self.value("SELECT max(id) FROM movement")))

    def move(self, lot: str, origin: str, to: str, grams: int, **when: Any) -> None:
        order = MoveIn.model_validate(
            {"lot": lot, "from_place": origin, "to_place": to, "mass": f"{grams} g", **when}
        )
        self._book(order, lambda s: stock.move(s, order, at=self.at, by=MANAGER)[0].id)

    def pull(
        self, lot: str, origin: str, grams: int, *, request: int | None = None, **when: Any
    ) -> str | None:
        """The code of the thaw batch; None if it was refused."""
        order = PullIn.model_validate(
            {
                "lot": lot,
                "from_place": origin,
                "to_place": "TANK1",
                "mass": f"{grams} g",
                "thaw_request": request,
                **when,
            }
        )
        codes: list[str] = []

        def pull(session: Session) -> int:
            pulled = pulling.pull(session, order, at=self.at, by=MANAGER)
            codes.append(pulled.batch.batch.code)
            return pulled.movement_id

        if self._book(order, pull) is None:
            return None
        self.batches += codes
        return codes[0]

    def feed(self, batch: str, offered: int, eaten: int, **when: Any) -> None:
        item = {"thaw_batch": batch, "offered": f"{offered} g", "eaten": f"{eaten} g"}
        order = FeedIn.model_validate({"animal": "BRINE", "items": [item], **when})
        self._book(order, lambda s: feeding.feed(s, order, at=self.at, by=MANAGER).feed.movement_id)

    def discard(self, batch: str, grams: int, **when: Any) -> None:
        order = DiscardIn.model_validate({"mass": f"{grams} g", "reason": "spoiled", **when})
        self._book(order, lambda s: tending.discard(s, batch, order, at=self.at, by=MANAGER)[1])

    def put_back(self, batch: str, to: str, grams: int, **when: Any) -> None:
        order = PutBackIn.model_validate(
            {"mass": f"{grams} g", "to_place": to, "core_temperature": "-19 °C", **when}
        )
        self._book(order, lambda s: tending.put_back(s, batch, order, at=self.at, by=MANAGER)[1])

    def condemn(self, lot: str, place: str | None, grams: int | None, **when: Any) -> None:
        mass = None if grams is None else f"{grams} g"
        body = {"place": place, "mass": mass, "reason": "smells of ammonia", **when}
        order = CondemnationIn.model_validate(body)
        self._book(
            order, lambda s: removing.condemn(s, lot, order, at=self.at, by=MANAGER).movement.id
        )

    def give_back(self, lot: str, place: str | None, grams: int | None, **when: Any) -> None:
        mass = None if grams is None else f"{grams} g"
        body = {"place": place, "mass": mass, "reason": "not what was ordered", **when}
        order = SupplierReturnIn.model_validate(body)
        self._book(
            order, lambda s: removing.give_back(s, lot, order, at=self.at, by=MANAGER).movement.id
        )

    def count(self, lot: str, place: str, grams: int, **when: Any) -> None:
        order = CountIn.model_validate(
            {"lot": lot, "place": place, "mass": f"{grams} g", "reason": "weekly count", **when}
        )
        self._book(order, lambda s: stock.count(s, order, at=self.at, by=MANAGER)[0].id)

    def reverse(self, movement: int) -> bool:
        """Whether it could be taken back."""

        def reverse(session: Session) -> int:
            return stock.reverse(session, movement, "a mistake", at=self.at, by=MANAGER).id or 0

        return self.tried(reverse, fact=False) is not None

    def plan(self, species: str, grams: int) -> None:
        order = ThawRequestIn.model_validate(
            {
                "first_feed_at": self.at + timedelta(hours=20),
                "last_feed_at": self.at + timedelta(hours=22),
                "thaw_place": "TANK1",
                "lines": [{"species": species, "mass": f"{grams} g"}],
            }
        )
        self.requests.append(self.do(lambda s: planning.plan(s, order, at=self.at, by=MANAGER).id))

    def cancel(self, request: int) -> None:
        self.tried(lambda s: replanning.cancel(s, request, at=self.at, by=MANAGER), fact=False)

    def _book(self, order: Any, what: Callable[[Session], int | None]) -> int | None:
        done = self.tried(what, fact=getattr(order, "already_done", False))
        if done is not None:
            self.movements.append(done)
        return done

    # What the books say, read past the service's own queries.

    def rows(self, statement: str, **values: Any) -> list[Any]:
        with self.database.snapshot.connect() as connection:
            return list(connection.execute(text(statement), values))

    def value(self, statement: str, **values: Any) -> Any:
        return self.rows(statement, **values)[0][0]

    def by_lot_and_place(self) -> Grams:
        """Grams on hand; lots by the order in which they came."""
        statement = (
            "SELECT lot.code, place.code, sum(parcel.grams) FROM parcel "
            "JOIN lot ON lot.id = parcel.lot_id JOIN place ON place.id = parcel.place_id "
            "GROUP BY lot.code, place.code"
        )
        return {(lot, place): int(g) for lot, place, g in self.rows(statement) if g}

    def by_account(self) -> dict[str, int]:
        """Grams that each account has taken in, less what it gave."""
        totals: dict[str, int] = {}
        for end, sign in (("to_account", 1), ("from_account", -1)):
            statement = (
                f"SELECT {end}, sum(grams) FROM transfer WHERE {end} IS NOT NULL GROUP BY {end}"
            )
            for account, grams in self.rows(statement):
                totals[account] = totals.get(account, 0) + sign * int(grams)
        return {account: grams for account, grams in totals.items() if grams}

    def state(self) -> tuple[Grams, dict[str, int]]:
        return self.by_lot_and_place(), self.by_account()


def _hurry(connection: Any, _record: object) -> None:
    connection.execute("PRAGMA synchronous=OFF")


def check_laws(books: Books) -> None:
    """What holds in every stock book at every moment, whatever was done."""
    parcels = books.rows("SELECT id, grams, cartons FROM parcel")
    flows = books.rows(
        "SELECT from_parcel_id, to_parcel_id, grams, cartons FROM transfer ORDER BY id"
    )
    grams = dict.fromkeys((p.id for p in parcels), 0)
    cartons = dict.fromkeys((p.id for p in parcels), 0)
    for flow in flows:
        for parcel_id, sign in ((flow.to_parcel_id, 1), (flow.from_parcel_id, -1)):
            if parcel_id is not None:
                grams[parcel_id] += sign * flow.grams
                cartons[parcel_id] += sign * (flow.cartons or 0)
                assert grams[parcel_id] >= 0, f"parcel {parcel_id} was overdrawn on the way"
    for parcel in parcels:
        assert parcel.grams == grams[parcel.id] >= 0
        if parcel.cartons is not None:
            assert parcel.cartons == cartons[parcel.id] >= 0
            assert (parcel.grams == 0) == (parcel.cartons == 0), parcel
    assert sum(grams.values()) + sum(books.by_account().values()) == 0
    assert -books.by_account().get("supplier", 0) <= int(
        books.value("SELECT coalesce(sum(grams), 0) FROM lot")
    )
    taken_early = books.value(
        "SELECT count(*) FROM transfer JOIN movement ON movement.id = transfer.movement_id "
        "JOIN parcel ON parcel.id IN (transfer.from_parcel_id, transfer.to_parcel_id) "
        "WHERE movement.occurred_at < parcel.opened_at"
    )
    assert taken_early == 0, "nothing is taken from a parcel before it was there"
    check_available(books)


def check_available(books: Books) -> None:
    """Available is what is there less what live requests keep of it, and never below nothing."""
    with Session(books.database.snapshot) as session:
        kept: dict[int, int] = {}
        for each in session.exec(select(Reservation)):
            if each.released_at is None and each.until > books.at:
                kept[each.parcel_id] = kept.get(each.parcel_id, 0) + each.grams
        for parcel in session.exec(select(Parcel).where(col(Parcel.grams) > 0)):
            shown = queries.holdings(
                session,
                parcel.lot_id,
                parcel.place_id,
                at=parcel.opened_at,
                now=books.at,
                parcel_id=parcel.id,
            )
            free = max(0, parcel.grams - kept.get(parcel.id or 0, 0))
            assert [(h.grams, h.available) for h in shown] == [(parcel.grams, free)]
