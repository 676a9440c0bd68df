"""Probes as they are set up, hung up, doubted and shown."""

from datetime import UTC, datetime

from pydantic import BaseModel, ConfigDict, Field

from service.http.bodies import Code, Moment, Occurrence, Reason
from service.probes.models import GoverningChoice, Probe, ProbeFault, ProbeStay
from service.probes.rules import ProbeKind


class Since(Occurrence):
    """Something that is so from an instant on."""

    from_at: Moment | None = Field(
        default=None,
        alias="from",
        description="Since when; left out: since it happened, else now. Not in the future.",
    )


class ProbeIn(Occurrence):
    """A thermometer to set up."""

    code: Code
    place: Code
    kind: ProbeKind = ProbeKind.AIR


class ProbeOut(BaseModel):
    """A thermometer. place: where it hangs now, None while it is taken down."""

    code: str
    place: str | None
    kind: ProbeKind


class StayIn(Since):
    """A probe hangs in another place, or was taken down: place null."""

    place: Code | None
    until_at: Moment | None = Field(
        default=None,
        alias="until",
        description="Until when, if it then went back to where it was known to be; left out: "
        "until the next move that is known.",
    )
    reason: Reason | None = Field(
        default=None, description="Why; needed for a move that is recorded later."
    )


class FaultIn(Since):
    """A probe was broken: its readings of that time are kept and stand for nothing."""

    until_at: Moment | None = Field(
        default=None, alias="until", description="Until when; left out: it still is."
    )
    reason: Reason


class FaultEndIn(Occurrence):
    """A probe is in order again."""


class WithdrawalIn(Occurrence):
    """Something that was recorded of a probe and is not so."""

    reason: Reason


class GoverningIn(Since):
    """Which probe stands for a place; null: the service chooses again."""

    probe: Code | None
    reason: Reason


class _Shown(BaseModel):
    model_config = ConfigDict(populate_by_name=True, serialize_by_alias=True)


class StayOut(_Shown):
    """A time in a place. from null: since ever; until null: still; place null: taken down."""

    place: str | None
    from_at: datetime | None = Field(alias="from")
    until_at: datetime | None = Field(alias="until")
    reason: str
    recorded_at: datetime
    by: str


class StaysOut(BaseModel):
    """Where a probe hung and when, in order, without a gap."""

    probe: str
    stays: list[StayOut]


class FaultOut(_Shown):
    """A time in which a probe was broken. until null: still."""

    id: int
    probe: str
    from_at: datetime = Field(alias="from")
    until_at: datetime | None = Field(alias="until")
    reason: str
    recorded_at: datetime
    by: str
    withdrawn_at: datetime | None
    withdrawn_by: str | None


class ChoiceOut(_Shown):
    """Which probe the site named for a place, and from when; null: none."""

    probe: str | None
    from_at: datetime = Field(alias="from")
    reason: str
    recorded_at: datetime
    by: str


class GoverningOut(BaseModel):
    """Which probe the site has named for a place now, and all that it named."""

    place: str
    probe: str | None
    choices: list[ChoiceOut]


def instant(seconds: int) -> datetime:
    """An instant from seconds since 1970."""
    return datetime.fromtimestamp(seconds, UTC)


def still_or(seconds: int | None) -> datetime | None:
    """The instant at which something ended; None while it has not."""
    return None if seconds is None else instant(seconds)


def stay_out(stay: ProbeStay, place: str | None) -> StayOut:
    """A stay as it is shown, with the code of its place."""
    return StayOut(
        place=place,
        from_at=instant(stay.from_s) if stay.from_s else None,
        until_at=still_or(stay.until_s),
        reason=stay.reason,
        recorded_at=stay.recorded_at,
        by=stay.by,
    )


def fault_out(probe: Probe, fault: ProbeFault) -> FaultOut:
    """A fault as it is shown."""
    return FaultOut(
        id=fault.id or 0,
        probe=probe.code,
        from_at=instant(fault.from_s),
        until_at=still_or(fault.until_s),
        reason=fault.reason,
        recorded_at=fault.recorded_at,
        by=fault.by,
        withdrawn_at=fault.withdrawn_at,
        withdrawn_by=fault.withdrawn_by,
    )


def choice_out(choice: GoverningChoice, probe: str | None) -> ChoiceOut:
    """A choice as it is shown, with the code of its probe."""
    return ChoiceOut(
        probe=probe,
        from_at=instant(choice.from_s),
        reason=choice.reason,
        recorded_at=choice.recorded_at,
        by=choice.by,
    )
