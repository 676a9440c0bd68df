"""Clocks of those who send readings: corrected where they say what they show, else noticed.

A device that sends `Device-Time` is taken at its word. Of any other only this is known:
by how much its newest reading is older or newer than its arrival. Two batches in a row
that agree on the same time in the future mean a fast clock; ten that agree on the same
delay mean a slow one, or a device that sends late on purpose.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlmodel import Session, SQLModel

from service.database import insert_ignoring
from service.notifications.actions.telling import tell
from service.notifications.rules import Subject, Urgency
from service.security.actor import Actor
from service.security.rules import Role
from service.temperatures.models import SenderClock
from service.temperatures.queries import ProbeView

AGREES_S = 30  # a request takes its time; within this, a clock is where it was
STEADY_S = 60
BATCHES_AHEAD, BATCHES_BEHIND = 2, 10


@dataclass(frozen=True)
class ClockReading:
    """What one batch says of its sender's clock.

    said_s : how far it is ahead by its own word; None if it said nothing.
    correct_s : what is taken off its instants. ahead_s : the best that is known; None
    where nothing is. skew_s : how far clocks may disagree. probe : the newest row's.
    """

    said_s: int | None = None
    correct_s: int = 0
    ahead_s: int | None = None
    skew_s: int = 0
    probe: ProbeView | None = None

    def detail(self) -> dict[str, object] | None:
        """For the audit trail: what the instants were corrected by."""
        return {"clock_corrected_s": -self.correct_s} if self.correct_s else None


def reading_of(
    session: Session,
    device_time: datetime | None,
    newest: tuple[ProbeView, float] | None,
    skew: timedelta | None,
    *,
    at: datetime,
    by: Actor,
) -> ClockReading:
    """What a batch says of its sender's clock. One look-up, where it says what it shows.

    A correction stays as it was while the clock does, so that a batch sent again is
    corrected to the same second and found to be a duplicate.
    """
    said_s = None if device_time is None else round((device_time - at).total_seconds())
    if newest is None or skew is None:
        return ClockReading(said_s)
    probe, newest_s = newest
    skew_s = int(skew.total_seconds())
    if said_s is None:
        return ClockReading(None, 0, round(newest_s - at.timestamp()), skew_s, probe)
    kept = _locked(session, by)
    if kept is not None and kept.measured and abs(said_s - kept.ahead_s) <= AGREES_S:
        said_s = kept.ahead_s
    return ClockReading(said_s, said_s if abs(said_s) > skew_s else 0, said_s, skew_s, probe)


def notice(session: Session, clock: ClockReading, *, at: datetime, by: Actor) -> None:
    """Remember it, and tell people once when a clock goes wrong and once when it is right again.

    Only of devices, and of others that say what their clock shows. Two statements.
    """
    measured = clock.said_s is not None
    if clock.ahead_s is None or clock.probe is None or not (measured or by.role is Role.DEVICE):
        return
    kept = _locked(session, by) or _made(session, at, by)
    if kept is None:
        return
    _follow(kept, clock.ahead_s, measured, at)
    wrong = _wrong(kept, clock.skew_s)
    if wrong and kept.wrong_since is None:
        kept.wrong_since = at
        _tell_wrong(session, kept, clock.probe, at, by)
    elif kept.wrong_since is not None and abs(clock.ahead_s) <= clock.skew_s:
        kept.wrong_since = None
        _tell_right(session, clock.probe, at, by)
    session.add(kept)


def _locked(session: Session, by: Actor) -> SenderClock | None:
    return session.get(SenderClock, by.user_id, with_for_update=True)


def _made(session: Session, at: datetime, by: Actor) -> SenderClock | None:
    """A new sender's row; None for the service itself, which has no clock but ours."""
    if by.user_id == 0:
        return None
    table = SQLModel.metadata.tables["sender_clock"]
    row = SenderClock(user_id=by.user_id, seen_at=at).model_dump()
    session.execute(insert_ignoring(session.connection().dialect.name, table), row)
    return _locked(session, by)


def _follow(kept: SenderClock, ahead_s: int, measured: bool, at: datetime) -> None:
    low = min(kept.ahead_s, ahead_s)
    spread = max(kept.ahead_s + kept.spread_s, ahead_s) - low
    agrees = kept.batches > 0 and kept.measured == measured and spread <= STEADY_S
    if measured or not agrees:
        low, spread = ahead_s, 0
    kept.ahead_s, kept.spread_s, kept.measured = low, spread, measured
    kept.batches = kept.batches + 1 if agrees else 1
    kept.seen_at = at


def _wrong(kept: SenderClock, skew_s: int) -> bool:
    """Whether a clock is off by more than clocks may disagree, as far as is known."""
    ahead, behind = kept.ahead_s > skew_s, kept.ahead_s + kept.spread_s < -skew_s
    if kept.measured:
        return ahead or behind
    return (ahead and kept.batches >= BATCHES_AHEAD) or (behind and kept.batches >= BATCHES_BEHIND)


def _tell_wrong(
    session: Session, kept: SenderClock, probe: ProbeView, at: datetime, by: Actor
) -> None:
    minutes = abs(kept.ahead_s) / 60
    if kept.measured:
        body = "Its readings are corrected as they come. Set its clock."
    elif kept.ahead_s > 0:
        body = "Readings that lie in the future are refused. Set its clock."
    else:
        body = "If it does not send late on purpose, its readings count too early. Set its clock."
    _tell(
        session,
        probe,
        f"The clock of {by.name} is {minutes:.0f} min {'fast' if kept.ahead_s > 0 else 'slow'}",
        f"Seen by readings of {probe.code}. {body}",
        Urgency.TODAY,
        at,
    )


def _tell_right(session: Session, probe: ProbeView, at: datetime, by: Actor) -> None:
    title = f"The clock of {by.name} is right again"
    _tell(session, probe, title, f"Seen by readings of {probe.code}.", Urgency.RECORD, at)


def _tell(
    session: Session, probe: ProbeView, title: str, body: str, urgency: Urgency, at: datetime
) -> None:
    tell(
        session,
        site_id=probe.site_id,
        subject=Subject.PROBE,
        number=probe.id,
        title=title,
        body=body,
        urgency=urgency,
        at=at,
    )
