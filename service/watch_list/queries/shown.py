"""Watches as they are shown."""

from collections.abc import Mapping
from datetime import datetime
from enum import StrEnum

from sqlmodel import Session

from service.feeding.rules import Appetite
from service.quality.queries.listing import units_of
from service.quantities import Units
from service.site.models import Site
from service.watch_list.models import Watch, WatchObservation
from service.watch_list.queries.standing import Listed, Standing, key_of, standings
from service.watch_list.rules.hazards import CAUTIONS, Hazard, Sign, signs_of
from service.watch_list.rules.rounds import Round, RoundState
from service.watch_list.schemas import (
    CauseOut,
    ChangeOut,
    ObservationOut,
    RoundOut,
    SignOut,
    WatchedOut,
    WatchOut,
    WatchSummary,
)


class WatchState(StrEnum):
    """Whether a watch goes on."""

    OPEN = "open"
    CLOSED = "closed"


def watch_out(session: Session, watch: Watch, *, at: datetime) -> WatchOut:
    """A watch with everybody in it, what to look for, and every look."""
    (standing,) = standings(session, [watch], at=at)
    site = session.get_one(Site, watch.site_id)
    units = units_of(site.mass_unit)
    return WatchOut(
        **summary(standing, site).model_dump(),
        cautions=list(CAUTIONS),
        causes=[
            CauseOut(
                assay=cause.assay_id,
                withdrawn=cause.assay_id in standing.withdrawn,
                hazards=[Hazard(each) for each in cause.hazards],
                because=cause.because,
                added_at=cause.added_at,
                by=cause.by,
            )
            for cause in standing.causes
        ],
        changes=[
            ChangeOut(kind=row.kind, because=row.because, at=row.at, by=row.by)
            for row in standing.changes
        ],
        look_for=[SignOut(**each.__dict__) for each in signs_of(standing.hazards)],
        items=[_watched_out(each, units, at) for each in standing.listed],
    )


def summary(standing: Standing, site: Site) -> WatchSummary:
    """A watch in a list."""
    watch, watched = standing.watch, standing.watched
    is_open = watch.closed_at is None
    due = [each.next_due_at for each in watched if is_open and each.next_due_at]
    return WatchSummary(
        id=watch.id or 0,
        site=site.code,
        lot=standing.lot,
        thaw_batch=standing.thaw_batch,
        state=WatchState.OPEN if is_open else WatchState.CLOSED,
        hazards=standing.hazards,
        because="; ".join(cause.because for cause in standing.causes),
        note_only=not watched,
        opened_at=watch.opened_at,
        by=watch.by,
        hours=watch.hours,
        round_h=watch.round_h,
        watched=len(watched),
        only_listed=len(standing.listed) - len(watched),
        until=standing.until,
        left_hours=_left(standing.until, standing.at),
        next_due_at=min(due, default=None),
        overdue=sum(len(each.overdue) for each in watched) if is_open else 0,
        noticed=[each.eater.code for each in standing.listed if each.noticed],
        closing_proposed_at=watch.closing_proposed_at,
        closed_at=watch.closed_at,
        closed_by=watch.closed_by,
        closed_because=watch.closed_because,
    )


def _left(until: datetime | None, at: datetime) -> float | None:
    return None if until is None else max(0.0, round((until - at).total_seconds() / 3600, 2))


def _watched_out(each: Listed, units: Units, at: datetime) -> WatchedOut:
    eater, eaten = each.eater, each.eaten
    states = [round_.state for round_ in each.rounds]
    return WatchedOut(
        animal=eater.code if eater.animal_id else None,
        group=eater.code if eater.group_id else None,
        name=eater.name,
        present_unnamed=eater.unnamed,
        feeds=eaten.feeds if eaten else 0,
        eaten=units.mass_out(eaten.eaten_g if eaten else 0),
        estimated=units.mass_out(eaten.estimated_g if eaten else 0),
        may_have_eaten=eaten is not None and eaten.estimated_g == eaten.eaten_g,
        first_fed_at=eaten.fed.first_at if eaten else None,
        last_fed_at=eaten.fed.last_at if eaten else None,
        watched=each.watched,
        until=each.until,
        left_hours=_left(each.until, at),
        next_due_at=each.next_due_at,
        overdue=len(each.overdue),
        done=states.count(RoundState.DONE),
        missed=states.count(RoundState.MISSED),
        signs=[Sign(sign) for sign in each.signs],
        noticed=each.noticed,
        rounds=[_round_out(round_, each.looks) for round_ in each.rounds],
    )


def _round_out(round_: Round, looks: tuple[WatchObservation, ...]) -> RoundOut:
    look = None if round_.look is None else looks[round_.look]
    return RoundOut(
        due_at=round_.due_at,
        state=round_.state,
        at=look.occurred_at if look else None,
        by=look.by if look else None,
        signs=[Sign(sign) for sign in look.signs] if look else [],
        other=look.other if look else None,
        appetite=_appetite(look) if look else None,
    )


def _appetite(look: WatchObservation) -> Appetite | None:
    return Appetite(look.appetite) if look.appetite else None


def look_out(look: WatchObservation, codes: Mapping[str, str]) -> ObservationOut:
    """What somebody saw of one animal or group; codes: of whom, by `key_of`."""
    code = codes[key_of(look)]
    return ObservationOut(
        id=look.id or 0,
        watch=look.watch_id,
        animal=code if look.animal_id else None,
        group=code if look.group_id else None,
        signs=[Sign(sign) for sign in look.signs],
        other=look.other,
        appetite=_appetite(look),
        occurred_at=look.occurred_at,
        recorded_at=look.recorded_at,
        by=look.by,
    )
