"""The watch: excursions by warmth and by silence. Run every minute, by any process.

It goes forward only: each probe remembers until when it has been watched, so a
run costs the readings that are new. A reading that comes late, behind that
mark, is in the exposure but opens no excursion yet.
"""

from datetime import datetime

import numpy as np
from sqlmodel import Session, col, select

from service.excursions.models import Excursion
from service.excursions.rules import ExcursionKind, WarmRun, warm_runs
from service.probes.models import Probe
from service.probes.rules import ProbeKind
from service.science.arrays import Array, Indices
from service.security import audit
from service.security.actor import SERVICE
from service.site import queries as sites
from service.site.models import Place
from service.site.queries import SiteView
from service.site.rules import PlaceKind, place_limit_c
from service.temperatures import queries as temperatures

MOST_READINGS = 50_000  # of one probe in one pass


def watch(session: Session, *, at: datetime) -> int:
    """Open and end excursions by what has been read since the last watch. Returns how many new."""
    statement = (
        select(Probe, Place)
        .join(Place, col(Place.id) == col(Probe.place_id))
        .where(col(Probe.kind).in_([ProbeKind.AIR, ProbeKind.WATER]))
        .order_by(col(Probe.id))
        .with_for_update(of=Probe, key_share=True)
    )
    opened = 0
    views: dict[int, SiteView] = {}
    for probe, place in session.exec(statement).all():
        if place.site_id not in views:
            views[place.site_id] = sites.view(session, place.site_id, at=at)
        opened += _watch_probe(session, probe, place, views[place.site_id], at)
    return opened


def _watch_probe(session: Session, probe: Probe, place: Place, view: SiteView, at: datetime) -> int:
    assert probe.id is not None
    limit = place_limit_c(PlaceKind(place.kind), view.policy, view.units.temperature)
    until = int(at.timestamp()) + 1
    at_s, temperature_c = temperatures.raw(session, probe.id, probe.watched_until_s, until)
    at_s, temperature_c = at_s[:MOST_READINGS], temperature_c[:MOST_READINGS]
    opened = 0
    if limit is not None and at_s.size:
        opened += _by_warmth(session, probe, view, at_s, temperature_c, limit, at)
    opened += _by_silence(session, probe, view, at_s, at)
    if at_s.size:
        probe.watched_until_s = int(at_s[-1]) + 1
        session.add(probe)
        session.flush()
    return opened


def _by_warmth(
    session: Session,
    probe: Probe,
    view: SiteView,
    at_s: Indices,
    temperature_c: Array,
    limit_c: float,
    at: datetime,
) -> int:
    """Runs warmer than the limit for longer than the grace; a run may begin in an earlier pass."""
    assert probe.id is not None
    known = _open_excursion(session, probe.id, ExcursionKind.WARM)
    grace_s = int(view.policy.excursion_grace_minutes * 60)
    if known is None:
        earlier_s, earlier_c = _earlier(session, probe.id, int(at_s[0]), grace_s)
        at_s = np.concatenate((earlier_s, at_s))
        temperature_c = np.concatenate((earlier_c, temperature_c))
    opened = 0
    for run in warm_runs(at_s, temperature_c, limit_c):
        if known is not None and run.from_s == int(at_s[0]):
            _continue(session, known, run)
            known = None
        elif _long_enough(run, int(at_s[-1]), grace_s):
            opened += _open(session, probe, view, run, limit_c, at)
    if known is not None:
        known.ended_at = temperatures.instant(int(at_s[0]))
        session.add(known)
        session.flush()
    return opened


def _open_excursion(session: Session, probe_id: int, kind: str) -> Excursion | None:
    return session.exec(
        select(Excursion).where(
            col(Excursion.probe_id) == probe_id,
            col(Excursion.kind) == kind,
            col(Excursion.ended_at).is_(None),
        )
    ).first()


def _earlier(session: Session, probe_id: int, first_s: int, grace_s: int) -> tuple[Indices, Array]:
    """What the passes before saw of a run that was not long enough yet: it began at most one
    grace before the last reading that they saw."""
    last, _ = temperatures.neighbours(session, probe_id, first_s, first_s)
    if last is None:
        return temperatures.raw(session, probe_id, first_s, first_s)
    return temperatures.raw(session, probe_id, last[0] - grace_s, first_s)


def _long_enough(run: WarmRun, last_s: int, grace_s: float) -> bool:
    return (run.ended_at_s if run.ended_at_s is not None else last_s) - run.from_s > grace_s


def _continue(session: Session, known: Excursion, run: WarmRun) -> None:
    known.peak_c = max(known.peak_c if known.peak_c is not None else run.peak_c, run.peak_c)
    known.ended_at = None if run.ended_at_s is None else temperatures.instant(run.ended_at_s)
    session.add(known)
    session.flush()


def _open(
    session: Session, probe: Probe, view: SiteView, run: WarmRun, limit_c: float, at: datetime
) -> int:
    assert probe.id is not None
    begun = temperatures.instant(run.from_s)
    same = select(Excursion.id).where(
        col(Excursion.probe_id) == probe.id,
        col(Excursion.kind) == ExcursionKind.WARM,
        col(Excursion.from_at) == begun,
    )
    if session.exec(same).first() is not None:
        return 0
    _store(
        session,
        probe,
        view,
        at,
        Excursion(
            place_id=probe.place_id,
            probe_id=probe.id,
            kind=ExcursionKind.WARM,
            from_at=begun,
            ended_at=None if run.ended_at_s is None else temperatures.instant(run.ended_at_s),
            limit_c=limit_c,
            peak_c=run.peak_c,
            opened_at=at,
        ),
    )
    return 1


def _store(
    session: Session, probe: Probe, view: SiteView, at: datetime, excursion: Excursion
) -> None:
    session.add(excursion)
    session.flush()
    audit.note(
        session, SERVICE, "excursion opened", probe.code, at=at, site_id=view.id, after=excursion
    )


def _by_silence(
    session: Session, probe: Probe, view: SiteView, new_s: Indices, at: datetime
) -> int:
    """Silent for longer than a gap may be: nobody knows whether the place is cold."""
    assert probe.id is not None
    known = _open_excursion(session, probe.id, ExcursionKind.SILENT)
    if known is not None and new_s.size:
        known.ended_at = temperatures.instant(int(new_s[0]))
        session.add(known)
        session.flush()
        known = None
    last = temperatures.last_reading(session, probe.id)
    if last is None or known is not None:
        return 0
    if at.timestamp() - last[0] <= view.policy.gap_minutes * 60:
        return 0
    _store(
        session,
        probe,
        view,
        at,
        Excursion(
            place_id=probe.place_id,
            probe_id=probe.id,
            kind=ExcursionKind.SILENT,
            from_at=temperatures.instant(last[0]),
            opened_at=at,
        ),
    )
    return 1
