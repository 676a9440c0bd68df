"""What happened to a lot, in sentences."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from service.ledger.rules import MovementKind
from service.pages.page import Screen
from service.pages.words import Writer, _
from service.traceability.queries.story import Event, Told


@dataclass(frozen=True)
class Line:
    """One thing that happened. first: the first of its day. grave: somebody had to decide."""

    day: date
    first: bool
    at: datetime | None
    """None: over a whole day."""
    says: str
    by: str
    reason: str | None
    taken_back: bool
    grave: bool
    href: str | None


GRAVE = frozenset({Told.HELD, Told.REJECTED, Told.EXCURSION, MovementKind.CONDEMNED})
KINDS = {
    MovementKind.RECEIVED: _("Received"),
    MovementKind.MOVED: _("Moved"),
    MovementKind.PULLED: _("Pulled"),
    MovementKind.SPLIT: _("Split"),
    MovementKind.PUT_BACK: _("Put back"),
    MovementKind.FED: _("Fed"),
    MovementKind.DRIPPED: _("Dripped"),
    MovementKind.DISCARDED: _("Discarded"),
    MovementKind.CONDEMNED: _("Condemned"),
    MovementKind.RETURNED_TO_SUPPLIER: _("Returned to supplier"),
    MovementKind.COUNTED: _("Counted"),
    MovementKind.REVERSED: _("Taken back"),
    MovementKind.FOUND: _("Found"),
}
DECISIONS = {"accept": _("accepted"), "hold": _("on hold"), "reject": _("rejected")}
FIELDS = {
    "caught_from": _("Caught from"),
    "caught_to": _("Caught to"),
    "frozen_on": _("Frozen on"),
    "best_before": _("Best before"),
    "supplier_lot": _("Supplier lot code"),
    "age_basis": _("Age counts from"),
}


def lines_of(events: Sequence[Event], screen: Screen) -> list[Line]:
    """Events newest first, each as a sentence."""
    lines: list[Line] = []
    for event in events:
        day = screen.view.day_of(event.at)
        whole_day = event.kind is MovementKind.FED and event.times + event.taken_back > 1
        lines.append(
            Line(
                day=day,
                first=not lines or lines[-1].day != day,
                at=None if whole_day else event.at,
                says=_says(event, screen.write),
                by=event.by,
                reason=_reason(event),
                taken_back=event.taken_back > 0 and event.kind is not MovementKind.FED,
                grave=event.kind in GRAVE,
                href=_way(event),
            )
        )
    return lines


def _reason(event: Event) -> str | None:
    return None if event.kind is Told.EXCURSION else event.reason


def _way(event: Event) -> str | None:
    if event.thaw_batch and event.kind in (MovementKind.PULLED, MovementKind.DISCARDED):
        return f"/thaw/batches/{event.thaw_batch}"
    return f"/rooms/{event.from_place}" if event.kind is Told.EXCURSION else None


def _says(event: Event, write: Writer) -> str:
    wording = _WORDINGS.get(event.kind)
    return _plain(event, write) if wording is None else wording(event, write)


def _plain(event: Event, write: Writer) -> str:
    """`Moved 12.0 kg from FZ1 to FZ2`."""
    assert isinstance(event.kind, MovementKind)
    said = [write.say(KINDS[event.kind]), write.mass(event.grams)]
    if event.thaw_batch is not None:
        said.append(event.thaw_batch)
    if event.from_place is not None:
        said.append(write.say("from %(place)s", place=event.from_place))
    if event.to_place is not None and event.to_place != event.from_place:
        said.append(write.say("to %(place)s", place=event.to_place))
    return " ".join(said)


def _fed(event: Event, write: Writer) -> str:
    eaters = sorted(event.eaters)
    names = ", ".join(eaters[:4])
    if len(eaters) > 4:
        names = write.say("%(names)s and %(more)s more", names=names, more=len(eaters) - 4)
    said = write.say(
        "Fed: %(eaten)s eaten, %(left)s left",
        eaten=write.mass(event.eaten_g),
        left=write.mass(event.left_g),
    )
    taken_back = (
        "; " + write.say("%(count)s feeds taken back", count=event.taken_back)
        if event.taken_back
        else ""
    )
    return f"{said}{' – ' + names if names else ''}{taken_back}"


def _counted(event: Event, write: Writer) -> str:
    said = write.say("Counted %(mass)s", mass=write.mass(event.grams))
    if event.difference_g == 0:
        return f"{said}: {write.say('as booked')}"
    if event.difference_g < 0:
        missing = write.mass(-event.difference_g)
        return f"{said}: {write.say('%(mass)s missing', mass=missing)}"
    return f"{said}: {write.say('%(mass)s too much', mass=write.mass(event.difference_g))}"


def _reversed(event: Event, write: Writer) -> str:
    kind = write.say(KINDS[event.of_kind]) if event.of_kind else ""
    return f"{write.say('Taken back')}: {kind} {write.mass(event.grams)}"


def _inspected(event: Event, write: Writer) -> str:
    decision = write.say(DECISIONS.get(event.detail[0], event.detail[0]))
    return f"{write.say('Inspected')}: {decision}"


def _corrected(event: Event, write: Writer) -> str:
    name, before, after = event.detail
    return (
        f"{write.say('Corrected')}: {write.say(FIELDS.get(name, name))} {before or '–'} → {after}"
    )


def _excursion(event: Event, write: Writer) -> str:
    said = write.say("Excursion in %(place)s", place=event.from_place)
    if len(event.detail) > 1:
        peak = write.temperature(float(event.detail[1]))
        said += f", {write.say('up to %(peak)s', peak=peak)}"
    if event.until is not None:
        return f"{said}, {write.span(event.until - event.at)}"
    return f"{said}, {write.say('not over yet')}"


_WORDINGS: Mapping[MovementKind | Told, Callable[[Event, Writer], str]] = {
    MovementKind.FED: _fed,
    MovementKind.COUNTED: _counted,
    MovementKind.REVERSED: _reversed,
    Told.HELD: lambda _event, write: write.say("Put on hold"),
    Told.RELEASED: lambda _event, write: write.say("Hold released"),
    Told.REJECTED: lambda _event, write: write.say("Rejected"),
    Told.CORRECTED: _corrected,
    Told.INSPECTED: _inspected,
    Told.ASSAYED: lambda event, write: write.say(
        "Laboratory result from %(laboratory)s", laboratory=event.detail[0]
    ),
    Told.ASSAY_WITHDRAWN: lambda event, write: write.say(
        "Laboratory result from %(laboratory)s withdrawn", laboratory=event.detail[0]
    ),
    Told.EXCURSION: _excursion,
}
