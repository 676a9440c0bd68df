"""Probes, where they hung, what they were off by, when they were broken."""

from sqlalchemy import BigInteger
from sqlmodel import Field, SQLModel

from service.database import Instant


class Probe(SQLModel, table=True):
    """A thermometer. Its row is also the lock on its series.

    place_id is where it hangs now, or hung last; `ProbeStay` says where it hung when.
    watched_until_s is up to when the watch has judged its readings; whoever changes
    what was measured before that sets it back. raw_kept_from_s is from when on its raw
    readings are kept; 0: all of them.
    """

    id: int | None = Field(default=None, primary_key=True)
    place_id: int = Field(foreign_key="place.id", index=True)
    code: str = Field(unique=True)
    kind: str
    created_at: Instant
    version: int = 0
    watched_until_s: int = Field(default=0, sa_type=BigInteger)
    raw_kept_from_s: int = Field(
        default=0, sa_type=BigInteger, sa_column_kwargs={"server_default": "0"}
    )


class ProbeStay(SQLModel, table=True):
    """A time in which a probe hung in a place, or (place_id None) in none: it was taken down.

    A probe's stays follow one another without a gap; the first begins before any reading.
    """

    __tablename__ = "probe_stay"

    id: int | None = Field(default=None, primary_key=True)
    probe_id: int = Field(foreign_key="probe.id", index=True)
    place_id: int | None = Field(default=None, foreign_key="place.id", index=True)
    from_s: int = Field(sa_type=BigInteger)
    until_s: int | None = Field(default=None, sa_type=BigInteger)
    reason: str = ""
    recorded_at: Instant
    by: str


class ProbeOffset(SQLModel, table=True):
    """What is added to a probe's raw readings from an instant on, until the next one."""

    __tablename__ = "probe_offset"

    id: int | None = Field(default=None, primary_key=True)
    probe_id: int = Field(foreign_key="probe.id", index=True)
    from_s: int = Field(sa_type=BigInteger)
    centi_c: int
    reason: str
    recorded_at: Instant
    by: str
    withdrawn_at: Instant | None = None
    withdrawn_by: str | None = None


class ProbeFault(SQLModel, table=True):
    """A time in which a probe was broken: its readings are kept and stand for nothing."""

    __tablename__ = "probe_fault"

    id: int | None = Field(default=None, primary_key=True)
    probe_id: int = Field(foreign_key="probe.id", index=True)
    from_s: int = Field(sa_type=BigInteger)
    until_s: int | None = Field(default=None, sa_type=BigInteger)
    reason: str
    recorded_at: Instant
    by: str
    withdrawn_at: Instant | None = None
    withdrawn_by: str | None = None


class Calibration(SQLModel, table=True):
    """A probe held against something known: melting ice, or a better thermometer.

    measured_c is what the probe itself showed; offset_c what was added to its readings
    then. It passed if both together lay within tolerance_c of the reference.
    """

    id: int | None = Field(default=None, primary_key=True)
    probe_id: int = Field(foreign_key="probe.id", index=True)
    calibrated_at: Instant
    method: str
    reference_c: float
    measured_c: float
    offset_c: float
    tolerance_c: float
    passed: bool
    note: str = ""
    recorded_at: Instant
    by: str
    withdrawn_at: Instant | None = None
    withdrawn_by: str | None = None


class GoverningChoice(SQLModel, table=True):
    """Which probe stands for a place from an instant on; none named: the warmest of the day."""

    __tablename__ = "governing_choice"

    id: int | None = Field(default=None, primary_key=True)
    place_id: int = Field(foreign_key="place.id", index=True)
    probe_id: int | None = Field(default=None, foreign_key="probe.id")
    from_s: int = Field(sa_type=BigInteger)
    reason: str
    recorded_at: Instant
    by: str


class ProbeConcern(SQLModel, table=True):
    """What makes a probe doubtful, from when it was told until it is over: told once.

    from_s, until_s : the readings that are doubtful; a person decides whether they are a fault.
    """

    __tablename__ = "probe_concern"

    id: int | None = Field(default=None, primary_key=True)
    probe_id: int = Field(foreign_key="probe.id", index=True)
    kind: str
    because: str
    from_s: int = Field(sa_type=BigInteger)
    until_s: int | None = Field(default=None, sa_type=BigInteger)
    told_at: Instant
    ended_at: Instant | None = None


class ProbeSender(SQLModel, table=True):
    """A device that may send a probe's readings. A probe without any may be sent by all devices
    of its site that have no probes of their own."""

    __tablename__ = "probe_sender"

    probe_id: int = Field(foreign_key="probe.id", primary_key=True)
    user_id: int = Field(foreign_key="app_user.id", primary_key=True)
