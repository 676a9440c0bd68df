"""Answering: anything seen, measured or counted, half-way or at the end."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlmodel import Session

from service.errors import Conflict, Invalid, NotFound
from service.inspections import queries
from service.inspections.models import (
    Inspection,
    InspectionAnswer,
    InspectionCore,
    InspectionCount,
    InspectionLot,
)
from service.inspections.rules.checklist import items
from service.inspections.schemas import AnswersIn
from service.photos import queries as photos
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites


def record(
    session: Session, number: int, said: AnswersIn, *, at: datetime, by: Actor
) -> Inspection:
    """Add answers, cores and counts to an inspection that is not signed.

    The newest of each counts, older ones stay. Raises NotFound for an unknown inspection,
    item or photo, Invalid naming the row, Conflict once it is signed: all or nothing.
    """
    inspection = queries.inspection_by_id(session, number, by=by, lock=True)
    refuse_signed(session, inspection)
    when = sites.happened_at(session, inspection.site_id, said.occurred_at, now=at)
    lots = _Lots(queries.state(session, inspection).lots)
    _check_photos(session, said, inspection.site_id)
    told = {"inspection_id": number, "occurred_at": when, "recorded_at": at, "by": by.name}
    session.add_all([*_answers(said, lots, told), *_cores(said, lots, told)])
    session.add_all(_counts(said, lots, told))
    session.flush()
    audit.note(
        session,
        by,
        "inspection answered",
        number,
        at=at,
        site_id=inspection.site_id,
        after=said,
        detail={
            "answers": len(said.answers),
            "cores": len(said.cores),
            "counts": len(said.counts),
        },
    )
    return inspection


def refuse_signed(session: Session, inspection: Inspection) -> None:
    """Raise Conflict once an inspection is signed."""
    signed = queries.signatures_of(session, [inspection.id or 0]).get(inspection.id or 0)
    if signed is not None:
        raise Conflict(
            f"inspection {inspection.id} was signed by {signed.by} "
            f"at {signed.signed_at:%Y-%m-%d %H:%M} UTC",
            kind="inspection-signed",
            advice="Open a new inspection of this delivery with `corrects`.",
        )


_Told = dict[str, Any]
"""Of which inspection, when and by whom: columns that all facts have."""


class _Lots:
    """The lots of an inspection by the names that a body gives them."""

    def __init__(self, lots: Sequence[tuple[InspectionLot, object]]) -> None:
        self._plans = {str(getattr(lot, "code", "")): planned for planned, lot in lots}

    def named(self, code: str | None, field: str) -> InspectionLot:
        """The lot of this code, or the only one. Raises Invalid."""
        if code is None:
            if len(self._plans) != 1:
                raise Invalid.at(field, "there are several lots: name one")
            return next(iter(self._plans.values()))
        if code not in self._plans:
            raise Invalid.at(field, f"{code} is no lot of this inspection")
        return self._plans[code]


def _check_photos(session: Session, said: AnswersIn, site_id: int) -> None:
    every = {photo for answer in said.answers for photo in answer.photos}
    missing = photos.missing(session, every, site_id=site_id)
    for number, answer in enumerate(said.answers):
        for place, photo in enumerate(answer.photos):
            if photo in missing:
                raise NotFound.of("photo", photo, f"answers.{number}.photos.{place}")


def _answers(said: AnswersIn, lots: _Lots, told: _Told) -> list[InspectionAnswer]:
    return [
        InspectionAnswer(
            lot_id=lots.named(each.lot, f"answers.{i}.lot").lot_id if each.lot else None,
            item=_item(each.item, each.answer, f"answers.{i}"),
            answer=each.answer,
            note=each.note,
            photos=list(dict.fromkeys(each.photos)),
            **told,
        )
        for i, each in enumerate(said.answers)
    ]


def _item(code: str, answer: str, field: str) -> str:
    item = items().get(code)
    if item is None:
        raise NotFound.of("inspection item", code, f"{field}.item")
    if not getattr(item, answer):
        raise Invalid.at(f"{field}.answer", f"{code} cannot be answered {answer}")
    return code


def _cores(said: AnswersIn, lots: _Lots, told: _Told) -> list[InspectionCore]:
    found = []
    for i, each in enumerate(said.cores):
        planned = lots.named(each.lot, f"cores.{i}.lot")
        _refuse_more(each.carton, planned, f"cores.{i}.carton")
        found.append(
            InspectionCore(
                lot_id=planned.lot_id,
                carton=each.carton,
                value=str(each.temperature.value),
                unit=each.temperature.unit,
                **told,
            )
        )
    return found


def _counts(said: AnswersIn, lots: _Lots, told: _Told) -> list[InspectionCount]:
    found = []
    for i, each in enumerate(said.counts):
        planned = lots.named(each.lot, f"counts.{i}.lot")
        _refuse_more(each.opened, planned, f"counts.{i}.opened")
        found.append(
            InspectionCount(
                lot_id=planned.lot_id,
                opened=each.opened,
                defective=each.defective,
                note=each.note,
                **told,
            )
        )
    return found


def _refuse_more(number: int, planned: InspectionLot, field: str) -> None:
    if number > planned.cartons:
        raise Invalid.at(field, f"the lot has {planned.cartons} cartons")
