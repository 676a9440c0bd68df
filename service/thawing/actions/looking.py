"""Looking at a thaw batch: how far it is, and what a thermometer shows."""

from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.catalogue.rules import species_facts
from service.decisions import Finding
from service.errors import Invalid
from service.http.bodies import refuse_future
from service.ledger import queries as ledger
from service.ledger.rules import Batch
from service.lots.models import Lot
from service.quantities import Temperature
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.thawing import queries
from service.thawing.models import ThawLook
from service.thawing.rules.looks import Method, Part, Thaw, found_by_core, warmth_of
from service.thawing.schemas import BatchTemperatureIn, FoundIn, PartThawedIn, ThawedIn


@dataclass(frozen=True)
class _Seen:
    """When somebody looked, when that was recorded, and who did."""

    seen_at: datetime
    at: datetime
    by: Actor


def mark_thawed(session: Session, code: str, mark: ThawedIn, *, at: datetime, by: Actor) -> Batch:
    """Somebody found the batch fully thawed. Of several marks the earliest counts.

    Raises Invalid for a core that is not thawed.
    """
    batch, seen_at = _seen(session, code, mark.occurred_at, at, by)
    if mark.not_yet_at is not None and not batch.left_freezer_at < mark.not_yet_at < seen_at:
        raise Invalid.at(
            "not_yet_at", "must lie after it left the freezer and before it was thawed"
        )
    look = _found(session, batch, mark, Thaw.THAWED, _Seen(seen_at, at, by))
    look.not_yet_at = mark.not_yet_at
    _keep(session, batch, look, "found thawed", by)
    return batch


def mark_part_thawed(
    session: Session, code: str, mark: PartThawedIn, *, at: datetime, by: Actor
) -> Batch:
    """Somebody found that the batch can be taken apart, and is frozen inside.

    Raises Invalid for a core that is still hard, or thawed.
    """
    batch, seen_at = _seen(session, code, mark.occurred_at, at, by)
    look = _found(session, batch, mark, Thaw.PART_THAWED, _Seen(seen_at, at, by))
    _keep(session, batch, look, "found part-thawed", by)
    return batch


def measure(
    session: Session, code: str, order: BatchTemperatureIn, *, at: datetime, by: Actor
) -> tuple[Batch, Thaw | None, list[Finding]]:
    """A temperature was taken by hand. A core says itself how far the fish is.

    Always stored; whether it was too warm is found, and blocks feeding where it does.
    """
    batch, seen_at = _seen(session, code, order.occurred_at, at, by)
    look = _look(batch, order.temperature, order.part, _Seen(seen_at, at, by))
    if order.part is Part.CORE:
        look.found = found_by_core(order.temperature.c, _thermal_group(session, batch))
    view = sites.view(session, batch.site_id, at=seen_at)
    shown = queries.batch_view(session, batch, view.policy, at=seen_at)
    look.place_id = shown.place.id if shown.place else None
    _keep(session, batch, look, f"{order.part} measured", by)
    found = queries.look_of(look, shown.places)
    return batch, found.found, list(warmth_of(found, view.policy))


def _seen(
    session: Session, code: str, said: datetime | None, at: datetime, by: Actor
) -> tuple[Batch, datetime]:
    """The batch that was looked at, and when: of a part, before it was split off, the whole."""
    refuse_future(said, now=at)
    batch = ledger.batch_by_code(session, code, by=by, field="thaw_batch")
    seen_at = sites.happened_at(session, batch.site_id, said, now=at)
    if seen_at < batch.left_freezer_at:
        raise Invalid.at(
            "occurred_at",
            f"lies before it left the freezer ({batch.left_freezer_at:%Y-%m-%d %H:%M} UTC)",
        )
    known = ledger.with_origins(session, [batch])
    while batch.split_from_id and batch.split_at and seen_at < batch.split_at:
        batch = known[batch.split_from_id]
    return batch, seen_at


def _found(session: Session, batch: Batch, mark: FoundIn, found: Thaw, seen: _Seen) -> ThawLook:
    core = mark.core_temperature
    look = _look(batch, core, Part.CORE if core else None, seen)
    look.found, look.method = found, Method.THERMOMETER if core else mark.method
    if core is not None:
        really = found_by_core(core.c, _thermal_group(session, batch))
        if really is not found:
            wrong = f"{core.c:.1f} °C is {really.replace('_', ' ')}, not {found.replace('_', ' ')}"
            raise Invalid.at("core_temperature", f"a core of {wrong}")
    return look


def _look(batch: Batch, said: Temperature | None, part: Part | None, seen: _Seen) -> ThawLook:
    return ThawLook(
        thaw_batch_id=batch.id,
        seen_at=seen.seen_at,
        recorded_at=seen.at,
        by=seen.by.name,
        method=Method.THERMOMETER if said else None,
        part=part,
        value=str(said.value) if said else None,
        unit=said.unit if said else None,
        measured_c=round(said.c, 4) if said else None,
    )


def _thermal_group(session: Session, batch: Batch) -> str:
    return species_facts()[session.get_one(Lot, batch.lot_id).species_code].thermal_group


def _keep(session: Session, batch: Batch, look: ThawLook, what: str, by: Actor) -> None:
    session.add(look)
    session.flush()
    audit.note(
        session, by, what, batch.code, at=look.recorded_at, site_id=batch.site_id, after=look
    )
