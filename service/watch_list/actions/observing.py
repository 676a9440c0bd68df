"""A look at an animal, and the end of a watch."""

from datetime import datetime

from sqlmodel import Session

from service.animals import queries as animals
from service.errors import Conflict
from service.http.bodies import refuse_future
from service.notifications.rules import Urgency
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.watch_list.actions.telling import because_of, tell_of
from service.watch_list.models import Watch, WatchObservation
from service.watch_list.queries.standing import noticed, standings, watch_by_id
from service.watch_list.schemas import CloseIn, ObservationIn


def observe(
    session: Session, number: int, order: ObservationIn, *, at: datetime, by: Actor
) -> tuple[WatchObservation, str]:
    """Store what somebody saw of an animal, and its code; what was seen is told at once.

    A fact: stored of whoever is at the site, listed or not, and of a watch that is closed.
    Raises NotFound, and Conflict `another-site`.
    """
    refuse_future(order.occurred_at, now=at)
    watch = watch_by_id(session, number, by=by, lock=True)
    who = (
        animals.animal_by_code(session, order.animal, by=by)
        if order.animal is not None
        else animals.group_by_code(session, order.group or "", by=by)
    )
    if who.site_id != watch.site_id:
        raise Conflict("the watch and the animal belong to different sites", kind="another-site")
    look = WatchObservation(
        watch_id=number,
        animal_id=who.id if order.animal is not None else None,
        group_id=who.id if order.animal is None else None,
        signs=list(dict.fromkeys(sign.value for sign in order.signs)),
        other=order.other,
        appetite=order.appetite,
        occurred_at=sites.happened_at(session, watch.site_id, order.occurred_at, now=at),
        recorded_at=at,
        by=by.name,
    )
    session.add(look)
    session.flush()
    if noticed(look):
        _tell_seen(session, watch, look, who.code, at)
    audit.note(
        session,
        by,
        "animal looked at",
        who.code,
        at=at,
        site_id=watch.site_id,
        after=look,
        detail={"watch": number, "signs": look.signs},
    )
    return look, who.code


def _tell_seen(
    session: Session, watch: Watch, look: WatchObservation, code: str, at: datetime
) -> None:
    (standing,) = standings(session, [watch], at=at)
    appetite = [] if look.appetite in (None, "normal") else [f"appetite {look.appetite}"]
    seen = [sign.replace("_", " ") for sign in look.signs] + appetite
    words = ", ".join([*seen, *([look.other] if look.other else [])])
    tell_of(
        session,
        standing,
        f"{code}: {words[:120]} after {standing.lot}",
        [
            f"Seen by {look.by} at {look.occurred_at:%Y-%m-%d %H:%M} UTC: {words}.",
            f"Watch {watch.id}: {because_of(standing)}.",
            "To do: call the attending veterinarian now, who decides; look at all the others "
            "that ate of it.",
        ],
        urgency=Urgency.NOW,
        at=at,
    )


def close(session: Session, number: int, order: CloseIn, *, at: datetime, by: Actor) -> Watch:
    """A vet or manager ends a watch. Raises NotFound, and Conflict if it was closed before."""
    refuse_future(order.occurred_at, now=at)
    watch = watch_by_id(session, number, by=by, lock=True)
    closed_at = sites.happened_at(session, watch.site_id, order.occurred_at, now=at)
    if watch.closed_at is not None:
        raise Conflict(f"watch {number} was closed by {watch.closed_by}", kind="already-closed")
    end(session, watch, order.reason, closed_at, at=at, by=by)
    return watch


def end(
    session: Session, watch: Watch, because: str, closed_at: datetime, *, at: datetime, by: Actor
) -> None:
    """Close a watch, and note it in the trail."""
    watch.closed_at, watch.closed_by, watch.closed_because = closed_at, by.name, because
    session.add(watch)
    session.flush()
    audit.note(
        session,
        by,
        "watch closed",
        watch.id,
        at=at,
        site_id=watch.site_id,
        after=watch,
        detail={"reason": because},
    )
