"""Every select of probes and of what is known of them."""

from collections.abc import Collection, Sequence
from itertools import pairwise

import numpy as np
from sqlmodel import Session, col, or_, select

from service.probes.models import GoverningChoice, Probe, ProbeFault, ProbeOffset, ProbeStay
from service.probes.rules import Offsets, ProbeKind, Standing
from service.security.actor import Actor
from service.site.models import Place


def probes(session: Session, *, by: Actor) -> list[tuple[Probe, Place]]:
    """All probes of the sites that somebody sees, by code. One query."""
    statement = (
        select(Probe, Place)
        .join(Place, col(Place.id) == col(Probe.place_id))
        .order_by(col(Probe.code))
    )
    return [(probe, place) for probe, place in session.exec(statement) if by.sees(place.site_id)]


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
    """The times in which probes hung in a place and were not broken, in order. Three queries.

    Cut where a fault or another choice of the site begins or ends, so that within one
    of them nothing changes.
    """
    stays = session.exec(
        select(ProbeStay, Probe.kind)
        .join(Probe, col(Probe.id) == col(ProbeStay.probe_id))
        .where(
            col(ProbeStay.place_id) == place_id,
            col(ProbeStay.from_s) < until_s,
            or_(col(ProbeStay.until_s).is_(None), col(ProbeStay.until_s) > from_s),
        )
    ).all()
    faults = session.exec(
        select(ProbeFault).where(
            col(ProbeFault.probe_id).in_({stay.probe_id for stay, _ in stays}),
            col(ProbeFault.withdrawn_at).is_(None),
            col(ProbeFault.from_s) < until_s,
            or_(col(ProbeFault.until_s).is_(None), col(ProbeFault.until_s) > from_s),
        )
    ).all()
    choices = session.exec(
        select(GoverningChoice)
        .where(col(GoverningChoice.place_id) == place_id, col(GoverningChoice.from_s) < until_s)
        .order_by(col(GoverningChoice.from_s), col(GoverningChoice.id))
    ).all()
    found = [
        standing
        for stay, kind in stays
        for standing in _cut(stay, ProbeKind(kind), faults, choices, from_s, until_s)
    ]
    return sorted(found, key=lambda s: (s.from_s, s.probe_id))


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
