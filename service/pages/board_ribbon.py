"""The ribbon of the board: thaw batches, places that are kept cold, pulls and feeds."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from sqlmodel import Session

from service.excursions.queries import excursions_of
from service.excursions.rules import ExcursionKind
from service.pages.page import Screen
from service.pages.ribbon import Band, Notch, Ribbon, Thread, Track, ribbon
from service.pages.words import Writer
from service.probes import queries as probes
from service.probes.rules import Standing
from service.site.models import Place
from service.site.rules import PlaceKind, place_limit_c
from service.temperatures import queries as temperatures
from service.temperatures.queries import HourSeen
from service.temperatures.rules.governing import Piece, governing_of
from service.thawing.queries import BatchView
from service.thawing.schemas import PullLine

BEFORE, AFTER = timedelta(hours=4), timedelta(hours=18)
COLD = (PlaceKind.FREEZER, PlaceKind.REFRIGERATOR)


@dataclass(frozen=True)
class Meal:
    """A feed that is to come: when, and who is fed."""

    at: datetime
    eaters: Sequence[str]


@dataclass(frozen=True)
class ColdPlace:
    """A place that is kept cold, what was measured in the last hours, and when it was warm."""

    place: Place
    measured: "_Hours"
    warm: Sequence[tuple[datetime, datetime]]

    def silent_since(self, at: datetime, gap: timedelta) -> datetime | None:
        """Since when nobody has measured where a probe hangs; None while somebody does."""
        if not self.measured.probed:
            return None
        hours = self.measured.hours
        last = _at(hours[-1].last_at_s) if hours else at - BEFORE
        return last if at - last > gap else None


def ribbon_of_board(
    screen: Screen,
    batches: Sequence[BatchView],
    pulls: Sequence[PullLine],
    meals: Sequence[Meal],
    places: Sequence[ColdPlace],
) -> Ribbon:
    """The last four hours and the next eighteen."""
    begin, end = screen.at - BEFORE, screen.at + AFTER
    tracks = [
        *(_of_batch(screen, each) for each in batches),
        *_of_pulls(screen.write, [line for line in pulls if line.pull_not_after < end]),
        *_of_meals(screen.write, meals),
        *(_of_place(screen, each) for each in places),
    ]
    return ribbon(begin, end, now=screen.at, zone=screen.view.zone, tracks=tracks)


def _of_batch(screen: Screen, each: BatchView) -> Track:
    """Outlined while it thaws, solid once thawed, hatched past its time."""
    write, facts = screen.write, each.facts
    over = each.discard_after(screen.view.policy)
    forecast = each.forecast
    thawed = facts.thawed_at or (each.thawed_after(forecast.hours) if forecast else over)
    thawed = min(thawed, over)
    says = write.say("discard after %(at)s", at=write.when(over))
    bands = [
        Band(facts.left_freezer_at, thawed, "outlined", write.say("thawing")),
        Band(thawed, over, "solid", write.say("thawed")),
    ]
    if over < screen.at:
        bands.append(Band(over, screen.at, "hatched", write.say("past its time")))
    return Track(each.batch.code, says, bands=bands, href=f"/thaw/batches/{each.batch.code}")


def _of_pulls(write: Writer, pulls: Sequence[PullLine]) -> Iterator[Track]:
    if not pulls:
        return
    notches = [
        Notch(
            line.pull_not_after,
            write.say("pull %(lot)s by %(at)s", lot=line.lot, at=write.when(line.pull_not_after)),
        )
        for line in pulls
    ]
    says = write.say("first by %(at)s", at=write.when(pulls[0].pull_not_after))
    yield Track(write.say("Pulls"), says, notches=notches, href="/thaw/pulls")


def _of_meals(write: Writer, meals: Sequence[Meal]) -> Iterator[Track]:
    if not meals:
        return
    notches = [Notch(m.at, f"{write.when(m.at)}: {', '.join(m.eaters)}") for m in meals]
    says = ", ".join(write.when(meal.at) for meal in meals[:MOST_SAID])
    yield Track(write.say("Feeds"), says, notches=notches)


MOST_SAID = 8


def cold_places(screen: Screen, places: Sequence[Place]) -> list[ColdPlace]:
    """Places that are kept cold; from hourly sums, six queries for any number."""
    begin = screen.at - BEFORE
    cold = [place for place in places if PlaceKind(place.kind) in COLD]
    measured = _measured(screen.session, cold, begin, screen.at)
    warm = _warm(screen.session, cold, begin, screen.at)
    return [ColdPlace(p, measured[p.id or 0], warm.get(p.id or 0, ())) for p in cold]


@dataclass(frozen=True)
class _Hours:
    """The hours of a place by the probes that stand for it; probed: one hangs there."""

    hours: Sequence[HourSeen]
    probed: bool


def _measured(
    session: Session, places: Sequence[Place], begin: datetime, at: datetime
) -> Mapping[int, _Hours]:
    from_s, until_s = int(begin.timestamp()), int(at.timestamp()) + 1
    standings = probes.standings_of(session, [p.id or 0 for p in places], from_s, until_s)
    ids = {each.probe_id for some in standings.values() for each in some}
    sums = temperatures.measured_hours(session, ids, from_s, until_s)
    seen = temperatures.hours_seen(session, ids, from_s, until_s)

    def of_place(own: Sequence[Standing]) -> _Hours:
        pieces = governing_of(own, sums, from_s, until_s).pieces() if own else []
        return _Hours([h for p in pieces for h in _within(seen, p)], bool(own))

    return {place_id: of_place(own) for place_id, own in standings.items()}


def _within(seen: Mapping[int, Sequence[HourSeen]], piece: Piece) -> Iterator[HourSeen]:
    for hour in seen.get(piece.probe_id, ()):
        if hour.last_at_s >= piece.from_s and hour.first_at_s < piece.until_s:
            yield hour


def _warm(
    session: Session, places: Sequence[Place], begin: datetime, at: datetime
) -> Mapping[int, Sequence[tuple[datetime, datetime]]]:
    """When each place was in an excursion because it was warm."""
    found: dict[int, list[tuple[datetime, datetime]]] = {}
    for each in excursions_of(session, [p.id or 0 for p in places], begin, at):
        if each.kind == ExcursionKind.WARM:
            found.setdefault(each.place_id, []).append((each.from_at, each.ended_at or at))
    return found


def _of_place(screen: Screen, cold: ColdPlace) -> Track:
    write, view = screen.write, screen.view
    place, measured, warm = cold.place, cold.measured, cold.warm
    limit_c = place_limit_c(PlaceKind(place.kind), view.policy, view.units.temperature)
    gap_s = int(view.policy.gap_minutes * 60)
    threads = [
        *_threads(write, measured.hours, limit_c, gap_s),
        *(Thread(begin, end, True, write.say("warm")) for begin, end in warm),
    ]
    return Track(
        place.code, _last(screen, measured, gap_s), threads=threads, href=f"/rooms/{place.code}"
    )


def _threads(
    write: Writer, hours: Sequence[HourSeen], limit_c: float | None, gap_s: int
) -> Iterator[Thread]:
    """One for each stretch without a gap that is warm, or cold, throughout."""
    stretch: list[HourSeen] = []

    def drawn() -> Thread:
        says = write.temperature(max(hour.mean_c for hour in stretch))
        first, last = _at(stretch[0].first_at_s), _at(stretch[-1].last_at_s)
        return Thread(first, last, _is_warm(stretch[0], limit_c), says)

    for hour in hours:
        if stretch and (
            hour.first_at_s - stretch[-1].last_at_s > gap_s
            or _is_warm(hour, limit_c) != _is_warm(stretch[0], limit_c)
        ):
            yield drawn()
            stretch = []
        stretch.append(hour)
    if stretch:
        yield drawn()


def _is_warm(hour: HourSeen, limit_c: float | None) -> bool:
    return limit_c is not None and hour.mean_c > limit_c


def _last(screen: Screen, measured: _Hours, gap_s: int) -> str:
    """What was measured last, or that nobody measures."""
    write = screen.write
    if not measured.probed:
        return write.say("no thermometer hangs here")
    if not measured.hours:
        return write.say("not measured since before %(at)s", at=write.when(screen.at - BEFORE))
    last = measured.hours[-1]
    at = _at(last.last_at_s)
    if screen.at - at > timedelta(seconds=gap_s):
        return write.say("not measured since %(at)s", at=write.when(at))
    return write.say("%(t)s at %(at)s", t=write.temperature(last.last_c), at=write.when(at))


def _at(seconds: int) -> datetime:
    return datetime.fromtimestamp(seconds, UTC)
