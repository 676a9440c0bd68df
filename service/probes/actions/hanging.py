"""Hanging a probe up in another place, and taking it down."""

from collections.abc import Sequence
from datetime import datetime

from sqlmodel import Session

from service.errors import Conflict, Invalid
from service.probes import queries
from service.probes.actions.changing import STILL, end_of, note_places_changed, since
from service.probes.models import Probe, ProbeStay
from service.probes.schemas import StayIn
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.site.models import Place
from service.site.rules import default_policy


def hang(session: Session, code: str, stay: StayIn, *, at: datetime, by: Actor) -> Probe:
    """A probe hung in another place, or in none, for a time: what is known of that time gives way.

    Without an end: until the next move that is known. Readings of that time are the
    other place's from now on. Locks the probes of the site for the transaction.
    Raises NotFound, Invalid for a time that cannot be or a late entry without a
    reason, Conflict for another site's place and where nothing changes.
    """
    from_s = since(stay, at=at)
    until_s = end_of(stay.until_at, from_s, at=at)
    if stay.reason is None and from_s < (at - default_policy().skew).timestamp():
        raise Invalid.at("reason", "say why, as readings of the past become another place's")
    place = None
    if stay.place is not None:
        place = sites.place_by_code(session, stay.place, by=by, field="place")
    probe, home = queries.probe_by_code(session, code, by=by)
    _same_site(place, home)
    queries.lock_site(session, home.site_id)
    stays = queries.stays(session, probe.id or 0)
    if until_s is None:
        until_s = min((s.from_s for s in stays if s.from_s > from_s), default=None)
    new = ProbeStay(
        probe_id=probe.id or 0,
        place_id=None if place is None else place.id,
        from_s=from_s,
        until_s=until_s,
        reason=stay.reason or "",
        recorded_at=at,
        by=by.name,
    )
    changed_s, places = _what_changes(stays, new)
    before = [_as_said(s) for s in stays]
    _give_way(session, stays, new)
    session.add(new)
    session.flush()
    after = queries.stays(session, new.probe_id)
    if after[-1].place_id is not None:
        probe.place_id = after[-1].place_id
    session.add(probe)
    session.flush()
    note_places_changed(session, places, changed_s)
    session.refresh(probe)
    audit.note(
        session,
        by,
        "probe hung up" if place else "probe taken down",
        probe.code,
        at=at,
        site_id=home.site_id,
        before=before,
        after=[_as_said(s) for s in after],
        detail={"place": place.code if place else None, "from_s": from_s, "until_s": until_s}
        | {"reason": new.reason, "before": before},
    )
    return probe


def _same_site(place: Place | None, home: Place) -> None:
    if place is not None and place.site_id != home.site_id:
        raise Conflict(
            "the place is another site's: set the probe up there with a code of its own",
            kind="another-site",
        )


def _what_changes(stays: Sequence[ProbeStay], new: ProbeStay) -> tuple[int, set[int]]:
    """The first second whose place is another now, and the places concerned.

    Raises Conflict where it hung there all that time.
    """
    until_s = STILL if new.until_s is None else new.until_s
    others = [
        s
        for s in stays
        if s.place_id != new.place_id
        and s.from_s < until_s
        and (s.until_s is None or s.until_s > new.from_s)
    ]
    if not others:
        raise Conflict("that is where it is known to have been all that time", kind="hangs-there")
    places = {s.place_id for s in (new, *others) if s.place_id is not None}
    return max(new.from_s, min(s.from_s for s in others)), places


def _give_way(session: Session, stays: Sequence[ProbeStay], new: ProbeStay) -> None:
    """Cut the stays that overlap the new one; one that lies around it goes on behind it."""
    for stay in stays:
        starts_before = stay.from_s < new.from_s
        goes_on = new.until_s is not None and (stay.until_s is None or stay.until_s > new.until_s)
        if (stay.until_s is not None and stay.until_s <= new.from_s) or (
            new.until_s is not None and stay.from_s >= new.until_s
        ):
            continue
        if starts_before and goes_on:
            session.add(_going_on(stay, new.until_s or 0))
        if starts_before:
            stay.until_s = new.from_s
        elif goes_on:
            stay.from_s = new.until_s or 0
        else:
            session.delete(stay)
            continue
        session.add(stay)
    session.flush()


def _going_on(stay: ProbeStay, from_s: int) -> ProbeStay:
    return ProbeStay(
        probe_id=stay.probe_id,
        place_id=stay.place_id,
        from_s=from_s,
        until_s=stay.until_s,
        reason=stay.reason,
        recorded_at=stay.recorded_at,
        by=stay.by,
    )


def _as_said(stay: ProbeStay) -> dict[str, object]:
    """A stay for the trail, where a stay that gave way is kept."""
    return stay.model_dump(mode="json", exclude={"id", "probe_id"})
