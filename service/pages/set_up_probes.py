"""Settings: thermometers: where each hangs, how it was held against something known, who sends."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from fastapi import Response

from service.http.bodies import Number
from service.http.sessions import Now, WriteSession
from service.pages.forms import Form
from service.pages.page import OnScreen, Screen, go_to, page_router
from service.pages.set_up import Paged, PageNumber, paged
from service.pages.words import _
from service.probes import queries as probes
from service.probes.actions import calibrating, faulting, hanging, senders, setting_up
from service.probes.models import Calibration
from service.probes.rules import Method, ProbeKind
from service.probes.schemas import (
    FaultEndIn,
    FaultIn,
    FaultOut,
    ProbeIn,
    StayIn,
    StayOut,
    fault_out,
    instant,
    stay_out,
)
from service.security import people
from service.security.guard import MaySetUp
from service.security.rules import Role
from service.site import queries as sites
from service.upkeep import queries
from service.upkeep.actions import correcting
from service.upkeep.actions.due import concerns_now
from service.upkeep.queries import Known
from service.upkeep.rules import due_after
from service.upkeep.schemas import (
    CalibrationIn,
    CalibrationOut,
    ConcernOut,
    OffsetOut,
    calibration_out,
    concern_out,
    offset_out,
)

router = page_router("/settings/probes")
MOST_SHOWN = 20  # of what is known of one probe, the newest

KINDS: tuple[tuple[str, str], ...] = (
    (ProbeKind.AIR, _("in the air")),
    (ProbeKind.PRODUCT, _("between the fish")),
    (ProbeKind.WATER, _("in water")),
    (ProbeKind.CORE, _("in the hand, for the core")),
)
METHODS: tuple[tuple[str, str], ...] = (
    (Method.ICE_POINT, _("in melting ice, 0 °C")),
    (Method.COMPARISON, _("beside a better thermometer")),
)


@dataclass(frozen=True)
class ProbeShown:
    """A thermometer: where it hangs (None: taken down), what it read last, what it wants."""

    code: str
    kind: str
    place: str | None
    read_at: datetime | None
    read_c: float | None
    concerns: Sequence[ConcernOut]


@dataclass(frozen=True)
class ProbesShown:
    """The site's thermometers, and what a new one is asked for."""

    probes: Paged[ProbeShown]
    kinds: Sequence[tuple[str, str]]
    places: Sequence[tuple[str, str]]


@dataclass(frozen=True)
class OneProbeShown:
    """A thermometer with what is known of it, the newest first."""

    probe: ProbeShown
    due_at: datetime | None
    stays: Sequence[StayOut]
    calibrations: Sequence[CalibrationOut]
    offsets: Sequence[OffsetOut]
    faults: Sequence[FaultOut]
    suggestions: Sequence[str]
    senders: Sequence[str]
    devices: Sequence[tuple[str, str]]
    places: Sequence[tuple[str, str]]
    methods: Sequence[tuple[str, str]]


@router.get("")
def all_probes(screen: OnScreen, by: MaySetUp, page: PageNumber = 1) -> Response:
    """The thermometers of the site."""
    here = [
        found
        for found in probes.probes(screen.session, by=by)
        if found[1].site_id == screen.view.id
    ]
    part = paged(here, page)
    known = queries.known(screen.session, part.rows)
    shown = ProbesShown(
        probes=Paged([_shown(screen, one) for one in known], part.before, part.after),
        kinds=KINDS,
        places=_places(screen),
    )
    return screen.show("settings_probes.html", shown)


@router.post("")
def add_probe(
    form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp
) -> Response:
    """A further thermometer."""
    probe = setting_up.add_probe(session, form.read(ProbeIn, screen.view.zone), at=at, by=by)
    said = screen.write.say("%(name)s is set up.", name=probe.code)
    return go_to(f"/settings/probes/{probe.code}", said=said)


@router.get("/{probe}")
def one_probe(probe: str, screen: OnScreen, by: MaySetUp) -> Response:
    """One thermometer: where it hung, its offsets, faults and calibrations."""
    found = probes.probe_by_code(screen.session, probe, by=by)
    (known,) = queries.known(screen.session, [found])
    units, policy = screen.view.units, screen.view.policy
    counted = [c for c in known.calibrations if c.withdrawn_at is None]
    shown = OneProbeShown(
        probe=_shown(screen, known),
        due_at=due_after(counted[0].calibrated_at, policy.probe_calibration) if counted else None,
        stays=[stay_out(s, known.place_of(s)) for s in reversed(known.stays)][:MOST_SHOWN],
        calibrations=[calibration_out(c, units) for c in counted[:MOST_SHOWN]],
        offsets=[offset_out(o, units) for o in reversed(known.offsets) if o.withdrawn_at is None][
            :MOST_SHOWN
        ],
        faults=[
            fault_out(known.probe, f) for f in reversed(known.faults) if f.withdrawn_at is None
        ][:MOST_SHOWN],
        suggestions=_suggested(screen, counted[:1]),
        senders=probes.senders_of(screen.session, known.id),
        devices=_devices(screen),
        places=_places(screen),
        methods=METHODS,
    )
    return screen.show("settings_probe.html", shown)


@router.post("/{probe}/stays")
def hang(
    probe: str, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp
) -> Response:
    """It hangs elsewhere, or was taken down."""
    probes.probe_by_code(session, probe, by=by)
    place = form.text("place").strip() or None
    stay = form.read(StayIn, screen.view.zone, place=place)
    hung = hanging.hang(session, probe, stay, at=at, by=by)
    said = screen.write.say("Where %(probe)s hung is recorded.", probe=hung.code)
    return go_to(f"/settings/probes/{hung.code}", said=said)


@router.post("/{probe}/calibrations")
def calibrate(
    probe: str, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp
) -> Response:
    """It was held in melting ice, or beside a better thermometer."""
    probes.probe_by_code(session, probe, by=by)
    said = form.read(CalibrationIn, screen.view.zone)
    row = correcting.calibrate(
        session,
        probe,
        method=said.method,
        reference_c=said.reference_c,
        measured_c=said.measured.c,
        calibrated_at=said.occurred_at or at,
        apply_offset=said.apply_offset,
        note=said.note,
        at=at,
        by=by,
    )
    told = screen.write.say("It agrees.") if row.passed else screen.write.say("It does not agree.")
    return go_to(f"/settings/probes/{probe.upper()}", said=told)


@router.post("/{probe}/faults")
def declare_fault(
    probe: str, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp
) -> Response:
    """It is broken: what it reads stands for nothing."""
    probes.probe_by_code(session, probe, by=by)
    fault = form.read(FaultIn, screen.view.zone)
    found, _fault = faulting.declare(session, probe, fault, at=at, by=by)
    said = screen.write.say("%(probe)s stands for nothing until it is in order.", probe=found.code)
    return go_to(f"/settings/probes/{found.code}", said=said)


@router.post("/{probe}/faults/{fault}/end")
def end_fault(
    probe: str, fault: Number, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp
) -> Response:
    """It is in order again."""
    found, _fault = faulting.end(session, fault, FaultEndIn(), at=at, by=by)
    said = screen.write.say("%(probe)s is in order again.", probe=found.code)
    return go_to(f"/settings/probes/{found.code}", said=said)


@router.post("/{probe}/senders")
def name_sender(
    probe: str, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp
) -> Response:
    """A device sends its readings."""
    senders.name_senders(session, [probe], form.text("user"), at=at, by=by)
    said = screen.write.say("%(user)s may send its readings.", user=form.text("user"))
    return go_to(f"/settings/probes/{probe.upper()}", said=said)


@router.post("/{probe}/senders/removal")
def remove_sender(
    probe: str, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp
) -> Response:
    """A device sends them no more."""
    senders.remove_sender(session, probe, form.text("user"), at=at, by=by)
    said = screen.write.say("%(user)s may not send its readings any more.", user=form.text("user"))
    return go_to(f"/settings/probes/{probe.upper()}", said=said)


def _shown(screen: Screen, known: Known) -> ProbeShown:
    found = concerns_now(known, screen.view.policy, at=screen.at)
    return ProbeShown(
        code=known.probe.code,
        kind=dict(KINDS)[known.kind],
        place=known.place_of(known.stays[-1]),
        read_at=instant(known.last[0]) if known.last else None,
        read_c=known.last[1] if known.last else None,
        concerns=[concern_out(c.kind, c.from_s, c.because, c.due_at) for c in found],
    )


def _suggested(screen: Screen, newest: Sequence[Calibration]) -> list[str]:
    """What a failed calibration suggests, in words."""
    write = screen.write
    return [
        write.say(
            "%(remedy)s since %(when)s, as %(because)s",
            remedy=way.remedy,
            when=write.when(way.from_at),
            because=way.because,
        )
        for row in newest
        for way in calibrating.suggested(screen.session, row, screen.view)
    ]


def _places(screen: Screen) -> list[tuple[str, str]]:
    here = sites.places_of(screen.session, screen.view.id)
    return [(place.code, f"{place.code} {place.name}") for place in here]


def _devices(screen: Screen) -> list[tuple[str, str]]:
    found = people.everybody(screen.session, by=screen.by)
    return [
        (known.user.name, known.user.name)
        for known in found
        if known.user.role == Role.DEVICE and known.user.disabled_at is None
    ]
