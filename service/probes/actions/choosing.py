"""The site's choice of the probe that stands for a place."""

from datetime import datetime

from sqlmodel import Session

from service.errors import Conflict
from service.probes import queries
from service.probes.actions.changing import note_places_changed, since
from service.probes.models import GoverningChoice
from service.probes.schemas import GoverningIn
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.site.models import Place


def choose(
    session: Session, place_code: str, choice: GoverningIn, *, at: datetime, by: Actor
) -> Place:
    """Name the probe that stands for a place from an instant on; null: the service's own choice.

    The newest choice of an instant counts. A probe that does not hang in the place or is
    broken is not listened to, whatever was chosen.
    Raises NotFound, Invalid for the future, Conflict for a probe that did not hang there.
    """
    from_s = since(choice, at=at)
    place = sites.place_by_code(session, place_code, by=by, field="place")
    assert place.id is not None
    probe = None
    if choice.probe is not None:
        probe, _ = queries.probe_by_code(session, choice.probe, by=by)
    queries.lock_site(session, place.site_id)
    if probe is not None and not _hung_there(session, probe.id or 0, place.id, from_s):
        raise Conflict(
            f"{probe.code} did not hang in {place.code} then",
            kind="hangs-elsewhere",
            advice="Record first where it hung: POST /v1/probes/{probe}/stays.",
        )
    row = GoverningChoice(
        place_id=place.id,
        probe_id=None if probe is None else probe.id,
        from_s=from_s,
        reason=choice.reason,
        recorded_at=at,
        by=by.name,
    )
    session.add(row)
    session.flush()
    note_places_changed(session, [place.id], from_s)
    audit.note(
        session,
        by,
        "governing probe chosen",
        place.code,
        at=at,
        site_id=place.site_id,
        after=row,
        detail={"probe": choice.probe, "from_s": from_s, "reason": choice.reason},
    )
    return place


def _hung_there(session: Session, probe_id: int, place_id: int, at_s: int) -> bool:
    return any(
        s.place_id == place_id and s.from_s <= at_s and (s.until_s is None or s.until_s > at_s)
        for s in queries.stays(session, probe_id)
    )
