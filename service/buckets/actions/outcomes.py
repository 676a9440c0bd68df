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
from service.supplements.actions.giving import give
from service.supplements.schemas import GivenIn

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
    """Store outcomes as facts; what was taken is recorded as given, under its plan.

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
    taken = [
        piece
        for piece, each in pairs
        if each.outcome is PieceOutcome.TAKEN and piece.outcome is not PieceOutcome.TAKEN
    ]
    return tuple(_given(it, taken))


def _given(it: Handled, taken: Sequence[Piece]) -> Iterator[Finding]:
    """Supplements that were taken, plan by plan, as facts of their day."""
    by_plan: dict[int, list[Piece]] = defaultdict(list)
    for each in taken:
        if each.piece.plan_id is not None:
            by_plan[each.piece.plan_id].append(each)
    for plan, pieces in by_plan.items():
        order = GivenIn.model_validate(
            {
                "supplements": [{"product": p.piece.item, "count": p.piece.count} for p in pieces],
                "day": it.found.bucket.day,
                "occurred_at": it.occurred_at,
                "already_done": True,
            }
        )
        yield from give(it.session, plan, order, at=it.at, by=it.by).breaches


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
