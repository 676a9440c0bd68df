"""Every select of probes and of what is known of them."""

from collections.abc import Collection, Sequence
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from sqlalchemy import BigInteger, ColumnElement, bindparam
from sqlmodel import Session, col, or_, select

from service.errors import NotFound
from service.probes.models import (
    Calibration,
    GoverningChoice,
    Probe,
    ProbeConcern,
    ProbeFault,
    ProbeOffset,
    ProbeSender,
    ProbeStay,
)
from service.probes.rules import Offsets, ProbeKind, Standing
from service.security.actor import Actor
from service.security.models import User
from service.site.models import Place


def probes(session: Session, *, by: Actor) -> list[tuple[Probe, Place]]:
    """All probes of the sites that somebody sees, by code. One query."""
    statement = (
        select(Probe, Place)
        .join(Place, col(Place.id) == col(Probe.place_id))
        .order_by(col(Probe.code))
    )
    return [(probe, place) for probe, place in session.exec(statement) if by.sees(place.site_id)]


def probe_by_code(session: Session, code: str, *, by: Actor) -> tuple[Probe, Place]:
    """The probe of this code and where it hangs, or hung last. One query.

    Raises NotFound, and NotAllowed at somebody else's site.
    """
    return _seen(session, col(Probe.code) == code.upper(), code, by)


def probe_by_id(session: Session, probe_id: int, *, by: Actor) -> tuple[Probe, Place]:
    """As `probe_by_code`, by its number."""
    return _seen(session, col(Probe.id) == probe_id, probe_id, by)


def _seen(
    session: Session, which: ColumnElement[bool], said: object, by: Actor
) -> tuple[Probe, Place]:
    found = session.exec(
        select(Probe, Place).join(Place, col(Place.id) == col(Probe.place_id)).where(which)
    ).first()
    if found is None:
        raise NotFound.of("probe", said, "probe")
    by.ensure_site(found[1].site_id)
    return found


def lock_site(session: Session, site_id: int) -> Sequence[Probe]:
    """All probes of a site, locked until commit, in the order in which everybody locks them.

    Where a probe hung and which stands for a place concerns its neighbours; it changes a
    few times a month, so one lock on all is simpler than finding out which. One query.
    """
    statement = (
        select(Probe)
        .join(Place, col(Place.id) == col(Probe.place_id))
        .where(col(Place.site_id) == site_id)
        .order_by(col(Probe.id))
        .with_for_update(of=Probe, key_share=True)
        .execution_options(populate_existing=True)
    )
    return session.exec(statement).all()


def lock_probe(session: Session, probe_id: int) -> Probe:
    """One probe, locked until commit. One query."""
    statement = select(Probe).where(col(Probe.id) == probe_id)
    return session.exec(
        statement.with_for_update(key_share=True).execution_options(populate_existing=True)
    ).one()


def senders_of(session: Session, probe_id: int) -> Sequence[str]:
    """The devices that a probe names as senders, by name. One query."""
    return session.exec(
        select(User.name)
        .join(ProbeSender, col(ProbeSender.user_id) == col(User.id))
        .where(col(ProbeSender.probe_id) == probe_id)
        .order_by(col(User.name))
    ).all()


def stays(session: Session, probe_id: int) -> Sequence[ProbeStay]:
    """Where a probe hung, in order. One query."""
    return stays_of(session, [probe_id])


def stays_of(session: Session, probe_ids: Collection[int]) -> Sequence[ProbeStay]:
    """Where these probes hung, in order. One query."""
    return session.exec(
        select(ProbeStay)
        .where(col(ProbeStay.probe_id).in_(probe_ids))
        .order_by(col(ProbeStay.probe_id), col(ProbeStay.from_s))
    ).all()


def probes_that_hung_in(session: Session, place_ids: Collection[int], from_s: int) -> set[int]:
    """The probes that hung in one of these places at an instant or since. One query."""
    return set(
        session.exec(
            select(ProbeStay.probe_id).where(
                col(ProbeStay.place_id).in_(place_ids),
                or_(col(ProbeStay.until_s).is_(None), col(ProbeStay.until_s) > from_s),
            )
        )
    )


def faults(
    session: Session, probe_ids: Collection[int], *, live: bool = False
) -> Sequence[ProbeFault]:
    """When these probes were broken, in order; live: without what was withdrawn. One query."""
    statement = (
        select(ProbeFault)
        .where(col(ProbeFault.probe_id).in_(probe_ids))
        .order_by(col(ProbeFault.probe_id), col(ProbeFault.from_s), col(ProbeFault.id))
    )
    if live:
        statement = statement.where(col(ProbeFault.withdrawn_at).is_(None))
    return session.exec(statement).all()


def fault_by_id(session: Session, number: int, *, by: Actor) -> tuple[ProbeFault, Probe, Place]:
    """A fault, its probe and place. Raises NotFound, and NotAllowed at somebody else's site."""
    fault = session.get(ProbeFault, number)
    if fault is None:
        raise NotFound.of("probe fault", number, "fault")
    return fault, *probe_by_id(session, fault.probe_id, by=by)


def offset_rows(session: Session, probe_ids: Collection[int]) -> Sequence[ProbeOffset]:
    """All offsets of these probes, in order, those that were withdrawn too. One query."""
    return session.exec(
        select(ProbeOffset)
        .where(col(ProbeOffset.probe_id).in_(probe_ids))
        .order_by(col(ProbeOffset.probe_id), col(ProbeOffset.from_s), col(ProbeOffset.id))
    ).all()


def offset_by_id(session: Session, number: int, *, by: Actor) -> tuple[ProbeOffset, Probe, Place]:
    """An offset, its probe and place. Raises NotFound, and NotAllowed at somebody else's site."""
    offset = session.get(ProbeOffset, number)
    if offset is None:
        raise NotFound.of("probe offset", number, "offset")
    return offset, *probe_by_id(session, offset.probe_id, by=by)


def offset_c(session: Session, probe_id: int, at_s: int) -> float:
    """What is added to a probe's readings at an instant, in °C. One query."""
    known = offsets(session, [probe_id]).get(probe_id)
    return 0.0 if known is None else int(known.of(np.array([at_s]))[0]) / 100


def calibrations(session: Session, probe_ids: Collection[int]) -> Sequence[Calibration]:
    """All calibrations of these probes, newest first, those that were withdrawn too. One query."""
    return session.exec(
        select(Calibration)
        .where(col(Calibration.probe_id).in_(probe_ids))
        .order_by(col(Calibration.calibrated_at).desc(), col(Calibration.id).desc())
    ).all()


def calibration_by_id(
    session: Session, number: int, *, by: Actor
) -> tuple[Calibration, Probe, Place]:
    """A calibration, its probe and place. Raises NotFound, NotAllowed at somebody else's site."""
    row = session.get(Calibration, number)
    if row is None:
        raise NotFound.of("calibration", number, "calibration")
    return row, *probe_by_id(session, row.probe_id, by=by)


def choices(session: Session, place_id: int) -> Sequence[tuple[GoverningChoice, str | None]]:
    """What the site chose for a place, with the probes' codes, in order. One query."""
    return session.exec(
        select(GoverningChoice, Probe.code)
        .outerjoin(Probe, col(Probe.id) == col(GoverningChoice.probe_id))
        .where(col(GoverningChoice.place_id) == place_id)
        .order_by(col(GoverningChoice.from_s), col(GoverningChoice.id))
    ).all()


def open_concerns(session: Session, probe_ids: Collection[int]) -> Sequence[ProbeConcern]:
    """What makes these probes doubtful now, in order. One query."""
    return session.exec(
        select(ProbeConcern)
        .where(col(ProbeConcern.probe_id).in_(probe_ids), col(ProbeConcern.ended_at).is_(None))
        .order_by(col(ProbeConcern.probe_id), col(ProbeConcern.from_s), col(ProbeConcern.id))
    ).all()


def offsets(session: Session, probe_ids: Collection[int]) -> dict[int, Offsets]:
    """What each probe's readings are corrected by; probes without any are left out. One query."""
    rows = session.exec(
        select(ProbeOffset)
        .where(col(ProbeOffset.probe_id).in_(probe_ids), col(ProbeOffset.withdrawn_at).is_(None))
        .order_by(col(ProbeOffset.probe_id), col(ProbeOffset.from_s), col(ProbeOffset.id))
    ).all()
    return {
        probe_id: Offsets(
            np.array([r.from_s for r in rows if r.probe_id == probe_id], dtype=np.int64),
            np.array([r.centi_c for r in rows if r.probe_id == probe_id], dtype=np.int64),
        )
        for probe_id in {row.probe_id for row in rows}
    }


def standings(session: Session, place_id: int, from_s: int, until_s: int) -> list[Standing]:
    """As `standings_of`, of one place. Three queries."""
    return standings_of(session, [place_id], from_s, until_s)[place_id]


def standings_of(
    session: Session, place_ids: Collection[int], from_s: int, until_s: int
) -> dict[int, list[Standing]]:
    """The times in which probes hung in places and were not broken, by place, in order.

    Cut where a fault or another choice of the site begins or ends, so that within one
    of them nothing changes. Three queries, however many places.
    """
    asked = {"places": list(place_ids), "begin": from_s, "end": until_s}
    hung, broken, chosen = _standing_selects()
    stays = session.execute(hung, asked).all()
    probe_ids = list({stay.probe_id for stay, _ in stays})
    faults = session.execute(broken, asked | {"probes": probe_ids}).scalars().all()
    choices = session.execute(chosen, asked).scalars().all()
    found: dict[int, list[Standing]] = {place_id: [] for place_id in place_ids}
    for stay, kind in stays:
        if stay.place_id is not None:
            own = [c for c in choices if c.place_id == stay.place_id]
            found[stay.place_id] += _cut(stay, ProbeKind(kind), faults, own, from_s, until_s)
    return {id_: sorted(of, key=lambda s: (s.from_s, s.probe_id)) for id_, of in found.items()}


@lru_cache(maxsize=1)
def _standing_selects() -> tuple[Any, Any, Any]:
    """Stays with the kinds of their probes, faults, choices. Built once: every feed asks them."""
    places: Any = bindparam("places", expanding=True)
    begin: Any = bindparam("begin", type_=BigInteger)
    end: Any = bindparam("end", type_=BigInteger)
    return (
        select(ProbeStay, Probe.kind)
        .join(Probe, col(Probe.id) == col(ProbeStay.probe_id))
        .where(
            col(ProbeStay.place_id).in_(places),
            col(ProbeStay.from_s) < end,
            or_(col(ProbeStay.until_s).is_(None), col(ProbeStay.until_s) > begin),
        ),
        select(ProbeFault).where(
            col(ProbeFault.probe_id).in_(bindparam("probes", expanding=True)),
            col(ProbeFault.withdrawn_at).is_(None),
            col(ProbeFault.from_s) < end,
            or_(col(ProbeFault.until_s).is_(None), col(ProbeFault.until_s) > begin),
        ),
        select(GoverningChoice)
        .where(col(GoverningChoice.place_id).in_(places), col(GoverningChoice.from_s) < end)
        .order_by(col(GoverningChoice.from_s), col(GoverningChoice.id)),
    )


def _cut(
    stay: ProbeStay,
    kind: ProbeKind,
    faults: Sequence[ProbeFault],
    choices: Sequence[GoverningChoice],
    from_s: int,
    until_s: int,
) -> list[Standing]:
    """One stay in pieces; without those in which its probe was broken."""
    begin = max(stay.from_s, from_s)
    end = until_s if stay.until_s is None else min(stay.until_s, until_s)
    broken = [
        (f.from_s, until_s if f.until_s is None else f.until_s)
        for f in faults
        if f.probe_id == stay.probe_id
    ]
    cuts = {begin, end, *(c.from_s for c in choices), *(s for pair in broken for s in pair)}
    inside = sorted(c for c in cuts if begin <= c <= end)
    pieces = []
    for low, high in pairwise(inside):
        if any(first <= low < last for first, last in broken):
            continue
        named = [c.probe_id for c in choices if c.from_s <= low]
        chosen = bool(named) and named[-1] == stay.probe_id
        pieces.append(Standing(stay.probe_id, kind, low, high, chosen))
    return pieces
