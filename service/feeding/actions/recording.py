"""Recording feeds: what was offered leaves its thaw batches. A round is stored whole or not at all.

One answer, one transaction, one key: a round that was stored by half would leave the keeper
to find out which half. What is refused names every feed that is, so that it is put right in
one go; and what has happened (`already_done`) is never refused at all.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlmodel import Session

from service.database import insert_rows, next_ids
from service.decisions import Decision, Finding, decide
from service.errors import FieldError, RuleRefused
from service.feeding.actions import summing
from service.feeding.actions.judging import Judge
from service.feeding.actions.naming import Named, Order, Said, name
from service.feeding.queries import FeedView, ItemView
from service.feeding.rules import FeedKind, Outcome, Portion
from service.feeding.schemas import FeedIn, FeedRoundIn
from service.ledger.actions.posting import Event, Leg, post_all
from service.ledger.actions.taking import judged_holdings, spending, stock_findings, takes_of
from service.ledger.rules import Account, Holding, MovementKind, Take, take_from
from service.quantities import Units
from service.security import audit
from service.security.actor import Actor
from service.site import actions as site_actions
from service.thawing.queries import BatchView

RIGHT_CLOCK = timedelta()


@dataclass(frozen=True)
class Fed:
    """A feed that was recorded, with what it breached and what there is to know."""

    feed: FeedView
    breaches: tuple[Finding, ...]
    findings: tuple[Finding, ...]
    units: Units


@dataclass(frozen=True)
class _Allowed:
    order: Order
    takes: tuple[tuple[Take, Account], ...]
    breaches: tuple[Finding, ...]
    findings: tuple[Finding, ...]


def feed(
    session: Session, order: FeedIn, *, at: datetime, by: Actor, clock: timedelta = RIGHT_CLOCK
) -> Fed:
    """One animal or group was fed. Clocks are judged at the instant of the feed.

    clock : what the sender's clock is behind. Raises RuleRefused listing every finding:
    holds, clocks run out, too warm for too long, more than the batch holds.
    """
    (fed,) = record(session, [Said(order)], at=at, by=by, clock=clock)
    audit.note(
        session,
        by,
        "fed",
        fed.feed.animal or fed.feed.group or "the public",
        at=at,
        site_id=fed.feed.site_id,
        after=_digested(fed),
        detail=_detail([fed]) | {"feed": fed.feed.id},
    )
    return fed


def feed_round(
    session: Session,
    order: FeedRoundIn,
    *,
    at: datetime,
    by: Actor,
    clock: timedelta = RIGHT_CLOCK,
) -> tuple[Fed, ...]:
    """Many feeds at once, as `feed`: all of them, or none.

    Raises RuleRefused with every finding, and the feeds that they are about. Cost: some
    forty statements for any number of feeds that were recorded when they happened.
    """
    said = [Said(_of_round(order, each), f"feeds.{n}.") for n, each in enumerate(order.feeds)]
    fed = record(session, said, at=at, by=by, clock=clock)
    audit.note(
        session,
        by,
        "fed a round",
        f"{len(fed)} feeds",
        at=at,
        site_id=fed[0].feed.site_id,
        after=[_digested(each) for each in fed],
        detail=_detail(fed) | {"feeds": [fed[0].feed.id, fed[-1].feed.id]},
    )
    return fed


def _of_round(order: FeedRoundIn, each: FeedIn) -> FeedIn:
    """A feed with what its round says of all."""
    said: dict[str, object] = {}
    if order.occurred_at is not None and each.occurred_at is None:
        said["occurred_at"] = order.occurred_at
    if order.already_done:
        said["already_done"] = True
    if order.override:
        said["override"] = [*each.override, *order.override]
    return each.model_copy(update=said) if said else each


def _digested(fed: Fed) -> list[object]:
    view = fed.feed
    items = [[item.thaw_batch, item.portion.__dict__] for item in view.items]
    return [view.id, view.animal, view.group, view.kind, view.outcome, view.occurred_at, items]


def _detail(fed: Sequence[Fed]) -> dict[str, object]:
    corrected = sorted({each.feed.clock_corrected_s for each in fed} - {0})
    return {
        "eaten_g": sum(item.portion.eaten_g for each in fed for item in each.feed.items),
        "breaches": [breach.rule for each in fed for breach in each.breaches],
        **({"clock_corrected_s": corrected} if corrected else {}),
    }


def record(
    session: Session,
    feeds: Sequence[Said],
    *,
    at: datetime,
    by: Actor,
    clock: timedelta = RIGHT_CLOCK,
    corrects_id: int | None = None,
) -> tuple[Fed, ...]:
    """Judge feeds, book them and store them; the caller leaves the audit note."""
    named = name(session, feeds, clock=clock, at=at, by=by)
    views = {order.occurred_at: order.view for order in named.orders}
    judge = Judge.of(session, list(named.batches.values()), named.lots, views)
    fish = _Fish(session, judge.by_code, at, by)
    allowed = _allowed(session, named, judge, fish, at=at, by=by)
    movements = _book(session, allowed, at=at, by=by)
    return _store(session, allowed, movements, fish, corrects_id=corrects_id, at=at, by=by)


class _Fish:
    """The fish of thaw batches, as feed after feed of a round is taken from it."""

    def __init__(
        self, session: Session, batches: Mapping[str, BatchView], at: datetime, by: Actor
    ) -> None:
        self._session, self.batches, self._at, self._by = session, batches, at, by
        self._parcels = {
            code: sorted(view.parcels, key=lambda parcel: (parcel.opened_at, parcel.id or 0))
            for code, view in batches.items()
        }
        self._taken: dict[int, int] = defaultdict(int)

    def there(self, code: str, occurred_at: datetime) -> list[Holding]:
        """What of a batch was there and is not yet taken, oldest first."""
        found = [
            (parcel.id or 0, parcel.grams - self._taken[parcel.id or 0])
            for parcel in self._parcels[code]
            if parcel.opened_at <= occurred_at
        ]
        return [Holding(id_, grams, grams, None) for id_, grams in found if grams > 0]

    def judged(self, code: str, wanted_g: int, occurred_at: datetime) -> list[Holding]:
        """As `there`; a late feed finds the fish that was there before later counts."""
        view = self.batches[code]
        return judged_holdings(
            self._session,
            lambda: self.there(code, occurred_at),
            wanted_g,
            lot=view.lot,
            occurred_at=occurred_at,
            at=self._at,
            by=self._by,
            thaw_batch_id=view.batch.id,
        )

    def take(self, code: str, grams: int, order: Order) -> list[Take]:
        """Take fish of a batch; a fact may find more in it than the books know."""
        view = self.batches[code]
        takes = takes_of(
            self._session,
            view.lot,
            view.parcels[-1].place_id,
            self.there(code, order.occurred_at),
            grams,
            occurred_at=order.occurred_at,
            at=self._at,
            by=self._by,
            already_done=order.said.already_done,
            thaw_batch_id=view.batch.id,
        )
        for take in takes:
            self._taken[take.parcel_id] += take.grams
        return takes


def _allowed(
    session: Session, named: Named, judge: Judge, fish: _Fish, *, at: datetime, by: Actor
) -> list[_Allowed]:
    """What each feed takes and breaches. Raises RuleRefused with all that speaks against any."""
    allowed: list[_Allowed] = []
    refused: list[tuple[Order, Decision]] = []
    for order in named.orders:
        decision = decide(_findings(order, judge, fish))
        try:
            breaches = site_actions.allow(
                session,
                decision,
                order.said,
                site=order.view,
                subject=str(order.eater),
                occurred_at=order.occurred_at,
                at=at,
                by=by,
            )
        except RuleRefused as refusal:
            refused.append((order, refusal.decision))
            continue
        takes = tuple(_takes(order, fish))
        allowed.append(_Allowed(order, takes, breaches, decision.noteworthy()))
    if refused:
        raise _refusal(refused)
    return allowed


def _refusal(refused: Sequence[tuple[Order, Decision]]) -> RuleRefused:
    """One refusal of all that is refused; of a round it says which feeds."""
    every = (finding for _, decision in refused for finding in decision.findings)
    unlike = {(each.rule, each.because): each for each in every}
    refusal = RuleRefused(Decision(tuple(unlike.values())))
    refusal.errors = tuple(
        FieldError(order.field.rstrip("."), "; ".join(f.because for f in decision.blocking()))
        for order, decision in refused
        if order.field
    )
    return refusal


def _by_batch(order: Order) -> dict[str, list[Portion]]:
    """Items of one batch are judged and taken together."""
    found: dict[str, list[Portion]] = {}
    for code, portion in order.items:
        found.setdefault(code, []).append(portion)
    return found


def _findings(order: Order, judge: Judge, fish: _Fish) -> list[Finding]:
    found: list[Finding] = []
    for code, portions in _by_batch(order).items():
        found += judge.findings(code, order.occurred_at)
        wanted = sum(portion.offered_g for portion in portions)
        there = fish.judged(code, wanted, order.occurred_at)
        if take_from(there, wanted)[1]:
            what, units = f"thaw batch {code}", order.view.units
            found += stock_findings(there, wanted, what=what, units=units)
    return found


def _takes(order: Order, fish: _Fish) -> list[tuple[Take, Account]]:
    """Parcel by parcel: eaten before left before lost. What came back cold stays in its batch."""
    eaten = Account.PUBLIC if order.said.kind is FeedKind.PUBLIC else Account.EATEN
    found: list[tuple[Take, Account]] = []
    for code, portions in _by_batch(order).items():
        ends = [
            (eaten, sum(portion.eaten_g for portion in portions)),
            (Account.LEFT, sum(portion.left_g for portion in portions)),
            (Account.LOST, sum(portion.lost_g for portion in portions)),
        ]
        for take in fish.take(code, sum(grams for _, grams in ends), order):
            there = take.grams
            for number, (account, grams) in enumerate(ends):
                here = min(there, grams)
                if here:
                    found.append((Take(take.parcel_id, here), account))
                    there -= here
                    ends[number] = (account, grams - here)
    return found


def _book(session: Session, allowed: Sequence[_Allowed], *, at: datetime, by: Actor) -> list[int]:
    """A movement for each feed, so that each can be taken back alone."""
    takes = [take for each in allowed for take in each.takes]
    legs = iter(spending(session, takes) if takes else [])
    entries: list[tuple[Event, list[Leg]]] = [
        (
            Event(MovementKind.FED, each.order.view.id, each.order.occurred_at, at, by),
            [next(legs) for _ in each.takes],
        )
        for each in allowed
    ]
    return post_all(session, entries)


def _store(
    session: Session,
    allowed: Sequence[_Allowed],
    movements: Sequence[int],
    fish: _Fish,
    *,
    corrects_id: int | None,
    at: datetime,
    by: Actor,
) -> tuple[Fed, ...]:
    connection = session.connection()
    ids = next_ids(connection, "feed", len(allowed))
    rows = [
        {"id": id_, **_feed_row(each.order, movement, corrects_id, at, by)}
        for id_, each, movement in zip(ids, allowed, movements, strict=True)
    ]
    insert_rows(connection, "feed", rows)
    every = list(zip(ids, (each.order for each in allowed), rows, strict=True))
    insert_rows(
        connection, "feed_item", [row for id_, o, _ in every for row in _item_rows(id_, o, fish)]
    )
    insert_rows(
        connection,
        "feed_share",
        [
            {"feed_id": id_, "number": n, "parts": order.eater.parts, "animal_id": animal_id}
            for id_, order, _ in every
            for n, animal_id in enumerate(order.eater.shared_by)
        ],
    )
    summing.add(session, (_given(order, row["day"], fish) for _, order, row in every))
    return tuple(
        Fed(_shown(id_, order, row, fish), each.breaches, each.findings, order.view.units)
        for (id_, order, row), each in zip(every, allowed, strict=True)
    )


def _feed_row(
    order: Order, movement: int, corrects_id: int | None, at: datetime, by: Actor
) -> dict[str, Any]:
    eater, said = order.eater, order.said
    return {
        "site_id": order.view.id,
        "animal_id": eater.animal.id if eater.animal is not None else None,
        "group_id": eater.group.id if eater.group is not None else None,
        "present": eater.present,
        "movement_id": movement,
        "corrects_id": corrects_id,
        "kind": said.kind,
        "outcome": _outcome(order),
        "occurred_at": order.occurred_at,
        "day": order.view.day_of(order.occurred_at),
        "recorded_at": at,
        "clock_corrected_s": round(order.corrected.total_seconds()),
        "by": by.name,
        "appetite": said.appetite,
        "note": said.note,
    }


def _outcome(order: Order) -> Outcome:
    """What was said, where nothing was eaten; else as the masses say."""
    found = {portion.outcome for _, portion in order.items}
    if Outcome.EATEN in found:
        return Outcome.EATEN
    if order.said.outcome in (Outcome.REFUSED, Outcome.NOT_OFFERED):
        return order.said.outcome
    return Outcome.REFUSED if Outcome.REFUSED in found else Outcome.NOT_OFFERED


def _item_rows(feed_id: int, order: Order, fish: _Fish) -> list[dict[str, Any]]:
    return [
        {
            "feed_id": feed_id,
            "number": number,
            "thaw_batch_id": fish.batches[code].batch.id,
            "lot_id": fish.batches[code].lot.id,
            "offered_g": portion.offered_g,
            "eaten_g": portion.eaten_g,
            "left_g": portion.left_g,
            "cold_g": portion.cold_g,
            "lost_g": portion.lost_g,
            "pieces_offered": portion.pieces_offered,
            "pieces_eaten": portion.pieces_eaten,
        }
        for number, (code, portion) in enumerate(order.items)
    ]


def _given(order: Order, day: Any, fish: _Fish) -> summing.Given:
    eater = order.eater
    return summing.Given(
        eater.animal.id if eater.animal is not None else None,
        eater.group.id if eater.group is not None else None,
        eater.parts,
        eater.shared_by,
        day,
        order.said.kind,
        [(fish.batches[code].lot.id or 0, portion) for code, portion in order.items],
    )


def _shown(feed_id: int, order: Order, row: Mapping[str, Any], fish: _Fish) -> FeedView:
    eater = order.eater
    return FeedView(
        id=feed_id,
        site_id=row["site_id"],
        animal=eater.animal.code if eater.animal is not None else None,
        group=eater.group.code if eater.group is not None else None,
        present=eater.present,
        kind=row["kind"],
        outcome=row["outcome"],
        occurred_at=row["occurred_at"],
        recorded_at=row["recorded_at"],
        day=row["day"],
        by=row["by"],
        appetite=row["appetite"],
        note=row["note"],
        movement_id=row["movement_id"],
        clock_corrected_s=row["clock_corrected_s"],
        corrects=row["corrects_id"],
        taken_back=False,
        items=tuple(
            ItemView(code, fish.batches[code].lot.code, fish.batches[code].lot.species_code, each)
            for code, each in order.items
        ),
    )
