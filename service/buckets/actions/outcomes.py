"""What became of supplements and medicines in the fish; a spat one is the vet's to decide on."""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import datetime

from sqlmodel import Session

from service.buckets import models
from service.buckets.actions.handling import Done, Handled
from service.buckets.queries import views as queries
from service.buckets.queries.views import Piece
from service.buckets.rules.pieces import PieceKind, PieceOutcome
from service.buckets.schemas import OutcomeIn, OutcomesIn
from service.decisions import Finding
from service.errors import NotFound
from service.notifications.actions.telling import tell
from service.notifications.rules import Subject, Urgency
from service.security import audit
from service.security.actor import Actor
from service.supplements.actions.giving import FromBucket, give, take_back
from service.supplements.queries.standing import out_of_bucket
from service.supplements.rules.standing import GivenOutcome
from service.supplements.schemas import GivenIn, GivenItem, GivenReversalIn

_BECAME = {
    PieceOutcome.TAKEN: GivenOutcome.GIVEN,
    PieceOutcome.SPAT_OUT: GivenOutcome.SPAT_OUT,
    PieceOutcome.REFUSED: GivenOutcome.REFUSED,
    PieceOutcome.UNKNOWN: GivenOutcome.UNKNOWN,
}
_SAID = {
    PieceOutcome.SPAT_OUT: "spat out",
    PieceOutcome.REFUSED: "refused",
    PieceOutcome.UNKNOWN: "not seen to be taken",
}


def record(session: Session, code: str, said: OutcomesIn, *, at: datetime, by: Actor) -> Done:
    """What became of pieces, whether the bucket is still open or not. Raises NotFound."""
    it = Handled.of(session, code, said.occurred_at, at=at, by=by)
    breaches = became(it, said.carries)
    return Done(it.view, queries.view(session, it.found.bucket), breaches)


def became(it: Handled, said: Sequence[OutcomeIn], where: str = "") -> tuple[Finding, ...]:
    """Store outcomes as facts; of supplements also under their plans, out of their batches.

    What was not taken is told to the vet, and nothing gives it again by itself. The breaches
    of what was given. where: before the names of fields. Raises NotFound for a piece that is
    not in the bucket.
    """
    if not said:
        return ()
    pieces = {piece.piece.number: piece for piece in it.found.pieces}
    for n, each in enumerate(said):
        if each.number not in pieces:
            raise NotFound.of("piece", each.number, f"{where}carries.{n}.number")
    it.session.add_all(
        models.PieceOutcome(
            bucket_id=it.found.bucket.id or 0,
            number=each.number,
            outcome=each.outcome,
            note=each.note,
            occurred_at=it.occurred_at,
            recorded_at=it.at,
            by=it.by.name,
        )
        for each in said
    )
    it.session.flush()
    audit.note(
        it.session,
        it.by,
        "pieces in a bucket",
        it.code,
        at=it.at,
        site_id=it.view.id,
        detail={str(each.number): each.outcome for each in said},
    )
    pairs = [(pieces[each.number], each) for each in said]
    for piece, each in pairs:
        if each.outcome is not PieceOutcome.TAKEN:
            _tell(it, piece, each)
    return tuple(_recorded(it, pairs))


def _recorded(it: Handled, pairs: Sequence[tuple[Piece, OutcomeIn]]) -> Iterator[Finding]:
    """What became of supplements, plan by plan, as facts of their day; corrections of earlier
    outcomes take those back."""
    by_plan: dict[int, list[tuple[Piece, OutcomeIn]]] = defaultdict(list)
    for piece, each in pairs:
        if piece.piece.plan_id is not None and piece.outcome is not each.outcome:
            by_plan[piece.piece.plan_id].append((piece, each))
            if piece.outcome is not None:
                _take_back(it, piece)
    for plan, pieces in by_plan.items():
        # Not validated: two pieces of one product are two items here, each to be found again.
        order = GivenIn.model_construct(
            supplements=[_item(it, piece, each) for piece, each in pieces],
            day=it.found.bucket.day,
            occurred_at=it.occurred_at,
            already_done=True,
        )
        numbers = [piece.piece.number for piece, _ in pieces]
        bucket = FromBucket(it.found.bucket.id or 0, numbers)
        yield from give(it.session, plan, order, at=it.at, by=it.by, bucket=bucket).breaches


def _item(it: Handled, piece: Piece, each: OutcomeIn) -> GivenItem:
    outcome = _BECAME[each.outcome]
    reason = f"bucket {it.code}" + (f": {each.note}" if each.note else "")
    return GivenItem(
        product=piece.piece.item,
        batch=piece.piece.batch,
        count=piece.piece.count,
        outcome=outcome,
        reason=None if outcome is GivenOutcome.GIVEN else reason[:1000],
    )


def _take_back(it: Handled, piece: Piece) -> None:
    """What was recorded of this piece of this bucket before."""
    said = GivenReversalIn(reason=f"corrected in bucket {it.code}")
    for row in out_of_bucket(it.session, piece.piece.bucket_id, piece.piece.number):
        take_back(it.session, row.id or 0, said, at=it.at, by=it.by)


def _tell(it: Handled, piece: Piece, each: OutcomeIn) -> None:
    """Of a medicine at once, of a supplement in the course of the day."""
    medicine = piece.kind is PieceKind.MEDICATION
    note = f" Noted: {each.note}" if each.note else ""
    tell(
        it.session,
        site_id=it.view.id,
        subject=Subject.BUCKET,
        number=it.found.bucket.id or 0,
        title=f"{piece.animal}: {piece.piece.item} was {_SAID[each.outcome]}",
        body=f"{piece.piece.count:g} of {piece.piece.item} in bucket {it.code} of "
        f"{it.found.bucket.day} was {_SAID[each.outcome]}. It is not given again by itself: "
        f"the vet decides.{note}",
        urgency=Urgency.NOW if medicine else Urgency.TODAY,
        at=it.at,
    )
