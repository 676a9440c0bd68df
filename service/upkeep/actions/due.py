"""What probes want looking at for: as a list now, and told once a day where it is new."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt
from sqlmodel import Session

from service.notifications.actions.telling import tell
from service.notifications.rules import Subject, Urgency
from service.probes import queries as probes
from service.probes.models import ProbeConcern, ProbeOffset
from service.probes.rules import ProbeKind, agrees
from service.probes.schemas import instant
from service.science import doubt
from service.science.exposure import HOUR_S
from service.security import audit
from service.security.actor import SERVICE, Actor
from service.site import queries as sites
from service.site.queries import SiteView
from service.site.rules import Policy
from service.temperatures import queries as temperatures
from service.upkeep import queries
from service.upkeep.actions.comparing import wandering
from service.upkeep.queries import HourTable, Known
from service.upkeep.rules import (
    MEASURED,
    STUCK_AFTER_H,
    TIME_CONSTANT_S,
    TOLD,
    WHAT_TO_DO,
    Concern,
    ConcernKind,
    Held,
    calibration_concern,
    reads_too_seldom,
)

Flags = npt.NDArray[np.bool_]
DAY_S = 24 * HOUR_S
LOOKED_BACK_S = 8 * DAY_S
MOVING_C = 5.0  # hours that span less hold no jump worth reading them for
ROUGH_C = 1.0  # hours that scatter less are not noisy


def concerns_now(known: Known, policy: Policy, *, at: datetime) -> list[Concern]:
    """What a probe's records and its last reading leave to do; most of it without a look at
    its history. A probe that is broken or taken down wants nothing else."""
    if known.taken_down:
        return []
    if known.faulty_since is not None:
        return [Concern(known.id, ConcernKind.FAULTY, known.faulty_since, "declared faulty")]
    calibration = calibration_concern(
        known.id,
        _held(known, at),
        created_at=known.probe.created_at,
        at=at,
        interval_days=policy.probe_calibration,
    )
    return [c for c in (calibration, _silence(known, policy, at)) if c is not None]


def _held(known: Known, at: datetime) -> list[Held]:
    """The calibrations that count, and whether the offset in force now puts each right."""
    offset_c = _offset_now(known.offsets, int(at.timestamp()))
    return [
        Held(
            row.calibrated_at,
            row.passed,
            agrees(row.measured_c, offset_c, row.reference_c, row.tolerance_c),
        )
        for row in known.calibrations
        if row.withdrawn_at is None
    ]


def _offset_now(offsets: Sequence[ProbeOffset], at_s: int) -> float:
    begun = [o.centi_c for o in offsets if o.withdrawn_at is None and o.from_s <= at_s]
    return begun[-1] / 100 if begun else 0.0


def _silence(known: Known, policy: Policy, at: datetime) -> Concern | None:
    """A probe in the hand is silent most of the time; any other should not be."""
    if known.kind is ProbeKind.CORE:
        return None
    if known.last is None:
        since = int(known.probe.created_at.timestamp())
        return Concern(known.id, ConcernKind.SILENT, since, "nothing has come from it yet")
    if at.timestamp() - known.last[0] <= policy.gap_minutes * 60:
        return None
    because = f"nothing since {instant(known.last[0]):%Y-%m-%d %H:%M} UTC"
    return Concern(known.id, ConcernKind.SILENT, known.last[0], because)


def tell_due(session: Session, at: datetime) -> int:
    """Tell which probes drift, are doubtful or want calibrating: each once, until it is over.

    Returns how many concerns are new. `find` and `tell_new` in one transaction; the worker
    runs them apart, so that nobody who writes waits for the look at the readings.
    """
    return tell_new(session, find(session, at), at)


def find(session: Session, at: datetime) -> dict[int, list[Concern]]:
    """What all probes want looking at for, by site; writes nothing.

    Cost: the hours of the probes over the window of the policy; raw readings only of those
    that moved much.
    """
    found: dict[int, list[Concern]] = {}
    for site_id, mine in _by_site(session).items():
        policy = sites.view(session, site_id, at=at).policy
        found[site_id] = [
            *(c for known in mine for c in concerns_now(known, policy, at=at)),
            *measured_concerns(session, policy, mine, at=at),
        ]
    return found


def tell_new(session: Session, found: Mapping[int, Sequence[Concern]], at: datetime) -> int:
    """Keep and tell what is new of what was found, and end what is over. Returns how many."""
    return sum(
        _tell_site(session, sites.view(session, site_id, at=at), mine, found.get(site_id, ()), at)
        for site_id, mine in _by_site(session).items()
    )


def _by_site(session: Session) -> dict[int, list[Known]]:
    by_site: dict[int, list[Known]] = {}
    for known in seen(session, by=SERVICE):
        by_site.setdefault(known.home.site_id, []).append(known)
    return by_site


def _tell_site(
    session: Session,
    view: SiteView,
    mine: Sequence[Known],
    concerns: Sequence[Concern],
    at: datetime,
) -> int:
    by_id = {known.id: known for known in mine}
    wanted = {(c.probe_id, c.kind): c for c in concerns if c.kind in TOLD}
    open_ = {(row.probe_id, ConcernKind(row.kind)): row for k in mine for row in k.concerns}
    for key, row in open_.items():
        if key not in wanted:
            row.ended_at = at
            session.add(row)
    new = [concern for key, concern in wanted.items() if key not in open_]
    for concern in new:
        session.add(
            ProbeConcern(
                probe_id=concern.probe_id,
                kind=concern.kind,
                because=concern.because,
                from_s=concern.from_s,
                told_at=at,
            )
        )
    session.flush()
    _tell(session, view, new, by_id, at)
    for concern in new:
        audit.note(
            session,
            SERVICE,
            "probe in doubt",
            by_id[concern.probe_id].probe.code,
            at=at,
            site_id=view.id,
            detail={"kind": concern.kind, "because": concern.because, "from_s": concern.from_s},
        )
    return len(new)


def _tell(
    session: Session,
    view: SiteView,
    new: Sequence[Concern],
    by_id: Mapping[int, Known],
    at: datetime,
) -> None:
    """One message of what the readings say of a probe; one of all that want calibrating."""
    for kind in sorted({c.kind for c in new}):
        these = [c for c in new if c.kind == kind]
        groups = [[c] for c in these] if kind in MEASURED else [these]
        for group in groups:
            codes = ", ".join(by_id[c.probe_id].probe.code for c in group)
            lines = [
                f"{by_id[c.probe_id].probe.code} in {by_id[c.probe_id].home.code}: {c.because}."
                for c in group
            ]
            tell(
                session,
                site_id=view.id,
                subject=Subject.PROBE,
                number=group[0].probe_id,
                title=f"{kind.replace('_', ' ').capitalize()}: {codes}"[:200],
                body="\n".join([*lines, f"To do: {WHAT_TO_DO[kind]}."]),
                urgency=Urgency.TODAY,
                at=at,
            )


def measured_concerns(
    session: Session, policy: Policy, mine: Sequence[Known], *, at: datetime
) -> list[Concern]:
    """What the readings of probes that hang somewhere and are in order say against them.

    Six queries for each place, one for all hours, and one or two for each probe that
    moved much in the last day.
    """
    sound = [k for k in mine if not k.taken_down and k.faulty_since is None]
    now_s = int(at.timestamp())
    hours = queries.hours_of(
        session, [k.id for k in sound], now_s // HOUR_S * HOUR_S - LOOKED_BACK_S, now_s + 1
    )
    found = [
        concern
        for known in sound
        if known.id in hours
        for concern in _doubts(session, policy, known, sound, hours, now_s)
    ]
    return found + _drifts(session, policy, sound, at)


def _doubts(
    session: Session,
    policy: Policy,
    known: Known,
    sound: Sequence[Known],
    hours: Mapping[int, HourTable],
    now_s: int,
) -> list[Concern]:
    mine = hours[known.id]
    day = mine.hour_s >= now_s - DAY_S
    if not day.any():
        return []
    doubts: list[tuple[ConcernKind, doubt.Doubt | None]] = [
        (
            ConcernKind.OUT_OF_RANGE,
            doubt.out_of_range(doubt.Hours(mine.hour_s[day], mine.min_c[day], mine.max_c[day])),
        )
    ]
    if known.kind in STUCK_AFTER_H:
        beside = [
            _plain(hours[other.id])
            for other in sound
            if other.id != known.id and other.home.id == known.home.id and other.id in hours
        ]
        still = doubt.stuck(_plain(mine), least_h=STUCK_AFTER_H[known.kind], others=beside)
        doubts.append((ConcernKind.STUCK, still))
    if known.kind in TIME_CONSTANT_S:
        doubts += _from_raw(session, known, mine, day, now_s)
    readings, covered_s = int(mine.readings[day].sum()), float(mine.covered_s[day].sum())
    found = [Concern(known.id, kind, d.from_s, d.because) for kind, d in doubts if d is not None]
    if reads_too_seldom(readings, covered_s, most_minutes=policy.recorder_interval_storage):
        because = f"it reads every {covered_s / readings / 60:.0f} minutes"
        first_s = int(mine.hour_s[day][0])
        found.append(Concern(known.id, ConcernKind.SPARSE, first_s, because))
    return found


def _plain(hours: HourTable) -> doubt.Hours:
    return doubt.Hours(hours.hour_s, hours.min_c, hours.max_c)


def _from_raw(
    session: Session, known: Known, mine: HourTable, day: Flags, now_s: int
) -> list[tuple[ConcernKind, doubt.Doubt | None]]:
    """Jumps and noise, read only where the hours let expect them."""
    moving = bool((mine.max_c[day] - mine.min_c[day] > MOVING_C).any())
    scatter = (mine.m2[day] / mine.covered_s[day].clip(1.0)) ** 0.5
    rough = bool((scatter > ROUGH_C).mean() >= 0.5)
    if not moving and not rough:
        return []
    at_s, temperature_c = temperatures.raw(session, known.id, now_s - DAY_S, now_s + 1)
    found: list[tuple[ConcernKind, doubt.Doubt | None]] = []
    if moving and at_s.size > 1:
        jumps = doubt.jumping(at_s, temperature_c, time_constant_s=TIME_CONSTANT_S[known.kind])
        found.append((ConcernKind.JUMPING, jumps))
    if rough and at_s.size:
        week = 7 * DAY_S
        _, before_c = temperatures.raw(session, known.id, now_s - DAY_S - week, now_s - week)
        found.append((ConcernKind.NOISY, doubt.noisy(at_s, temperature_c, before_c)))
    return found


def _drifts(
    session: Session, policy: Policy, sound: Sequence[Known], at: datetime
) -> list[Concern]:
    """Probes that wander away from the others where at least two hang."""
    until_s = int(at.timestamp())
    from_s = until_s - int(timedelta(days=policy.drift_window_days).total_seconds())
    homes = [k.home.id or 0 for k in sound]
    in_order = {k.id for k in sound}
    found = []
    for place_id in sorted({home for home in homes if homes.count(home) > 1}):
        beside = queries.side_by_side(session, place_id, from_s, until_s)
        for wander in wandering(beside, policy):
            if wander.flagged and wander.probe.id in in_order and wander.found.per_month:
                others = ", ".join(p.code for p in wander.against)
                because = (
                    f"against {others} it moves by {wander.found.per_month.slope:+.2f} °C a month"
                    + (", or that one does" if len(wander.against) == 1 else "")
                )
                found.append(Concern(wander.probe.id or 0, ConcernKind.DRIFT, from_s, because))
    return found


def seen(session: Session, *, by: Actor) -> list[Known]:
    """All that is known of the probes that somebody sees, by code."""
    return queries.known(session, probes.probes(session, by=by))
