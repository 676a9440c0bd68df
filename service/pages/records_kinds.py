"""What each record holds, by the same queries as the API's lists. All are bounded in days."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from enum import StrEnum

from sqlmodel import Session

from service.animals import queries as animals
from service.animals.models import Animal
from service.checks import queries as checks
from service.checks.queries import CheckView, Wanted
from service.decisions import Outcome
from service.errors import Invalid
from service.excursions.queries import excursions_of
from service.feeding.queries import Asked as FeedsAsked
from service.feeding.queries import FeedView, feeds
from service.feeding.queries.record import record as intake
from service.feeding.rules import Grain
from service.feeding.rules import Outcome as FeedOutcome
from service.ledger.rules import MovementKind
from service.pages.page import Screen
from service.pages.records_pdf import MOST_ROWS, Column, Record, Row
from service.pages.words import _, warm_tenth
from service.quantities import Units
from service.receiving import queries as receiving
from service.security import audit
from service.security.rules import Action
from service.site import queries as sites
from service.site.models import Place
from service.site.queries import SiteView
from service.site.rules import PlaceKind, place_limit_c
from service.supplements.queries.standing import animals_by_id, recorded_at_site, recorded_of
from service.temperatures.queries import chart_of_place
from service.temperatures.rules.steps import step_from
from service.traceability.queries.days import Carried, handled, holds_between
from service.welfare.queries.using import fish_use

HOURS_WITHIN_DAYS = 31  # longer, a temperature record is one line a day
HAND = "Models estimate; a thermometer in the fish decides."
VET = "The attending veterinarian decides about supplements and medication."


class Kind(StrEnum):
    """A record that somebody asks for."""

    DAY = "day"
    TEMPERATURES = "temperatures"
    RECEIVING = "receiving"
    INTAKE = "intake"
    SUPPLEMENTS = "supplements"
    CHECKS = "checks"
    FISH_USE = "fish-use"
    AUDIT = "audit"


@dataclass(frozen=True)
class Offer:
    """A record as it is offered: its name, what must be chosen for it, how long it may be."""

    kind: Kind
    name: str
    says: str
    most_days: int
    needs_place: bool = False
    needs_animal: bool = False
    right: Action = Action.LOOK


OFFERS = (
    Offer(
        Kind.DAY,
        _("Day sheet"),
        _("Feeds, supplements, fish moved, holds, checks and warm times of a day, in order"),
        7,
    ),
    Offer(
        Kind.TEMPERATURES,
        _("Temperatures of a place"),
        _("Hour by hour; over 31 days, day by day"),
        1100,
        needs_place=True,
    ),
    Offer(Kind.RECEIVING, _("Receiving"), _("Deliveries, lots, core temperatures"), 366),
    Offer(
        Kind.INTAKE, _("Intake of an animal"), _("Offered, eaten and left"), 366, needs_animal=True
    ),
    Offer(
        Kind.SUPPLEMENTS,
        _("Supplements of an animal"),
        _("Given, omitted, spat out"),
        366,
        needs_animal=True,
    ),
    Offer(Kind.CHECKS, _("Checks"), _("Measured by hand, cleaned, sanitised"), 366),
    Offer(Kind.FISH_USE, _("Use of fish"), _("Needed, pulled, eaten, discarded"), 31),
    Offer(Kind.AUDIT, _("Audit trail"), _("Who did what, and when"), 31, right=Action.READ_AUDIT),
)
OFFER_OF = {offer.kind: offer for offer in OFFERS}


@dataclass(frozen=True)
class Asked:
    """What somebody asks for: both days are included."""

    kind: Kind
    first: date
    last: date
    place: str | None
    animal: str | None


@dataclass(frozen=True)
class _Ask:
    """The same with what it names, and how it is written."""

    session: Session
    view: SiteView
    screen: Screen
    first: date
    last: date
    place: Place | None
    animal: Animal | None

    @property
    def begin(self) -> datetime:
        return self.view.start_of(self.first)

    @property
    def end(self) -> datetime:
        return self.view.end_of(self.last)

    @property
    def units(self) -> Units:
        return self.view.units

    def at(self, at: datetime) -> str:
        """An instant as records write it: sortable, in the site's zone."""
        return f"{at.astimezone(self.view.zone):%Y-%m-%d %H:%M}"

    def mass(self, grams: int) -> str:
        """A mass without its unit, which stands over the column."""
        return f"{self.units.mass_value(grams):.3f}"

    def celsius(self, celsius: float | None) -> str:
        """A temperature without its unit, which stands over the column."""
        if celsius is None:
            return ""
        return warm_tenth(self.units.temperature_out(celsius).value)

    def carried(self, carried: Carried) -> str:
        """`FZ1 to TANK1, T261125AAAU: 20.000 kg`: where fish went, and how much."""
        way = f"{carried.from_where or ''} to {carried.to_where or ''}".replace("_", " ")
        batch = f", {carried.thaw_batch}" if carried.thaw_batch else ""
        return f"{way}{batch}: {self.mass(carried.grams)} {self.units.mass}"

    @property
    def degree(self) -> str:
        return f"°{self.units.temperature.upper()}"

    @property
    def when(self) -> Column:
        return Column(f"time ({self.view.zone.key})")


def record_of(screen: Screen, asked: Asked) -> Record:
    """The record that was asked for.

    Raises Invalid for days that cannot be, for too many of them or too many lines, and where a
    place or animal is missing; NotAllowed where the role may not see it.
    """
    offer = OFFER_OF[asked.kind]
    screen.by.ensure(offer.right)
    days = (asked.last - asked.first).days + 1
    if days < 1:
        raise Invalid.at("to", "must not be before from")
    if days > offer.most_days:
        raise Invalid.at("to", f"this record is of {offer.most_days} days at most")
    record = _MADE_BY[asked.kind](_with_names(screen, asked, offer))
    if len(record.rows) > MOST_ROWS:
        raise Invalid.at("to", f"more than {MOST_ROWS} lines: take fewer days")
    return record


def _with_names(screen: Screen, asked: Asked, offer: Offer) -> _Ask:
    session, by, view = screen.session, screen.by, screen.view
    if offer.needs_place and not asked.place:
        raise Invalid.at("place", "choose a place")
    if offer.needs_animal and not asked.animal:
        raise Invalid.at("animal", "choose an animal")
    place = animal = None
    if asked.place and (offer.needs_place or asked.kind is Kind.CHECKS):
        place = sites.place_by_code(session, asked.place, by=by, field="place")
    if asked.animal and offer.needs_animal:
        animal = animals.animal_by_code(session, asked.animal, by=by)
    if any(each is not None and each.site_id != view.id for each in (place, animal)):
        raise Invalid.at("place" if place else "animal", f"is not at {view.code}")
    return _Ask(session, view, screen, asked.first, asked.last, place, animal)


# --- temperatures


def _temperatures(ask: _Ask) -> Record:
    assert ask.place is not None
    days = (ask.last - ask.first).days + 1
    step = step_from("PT1H" if days <= HOURS_WITHIN_DAYS else "P1D")
    until = min(ask.end, ask.screen.at)
    begin_s, until_s = int(ask.begin.timestamp()), int(until.timestamp())
    limit_c = place_limit_c(PlaceKind(ask.place.kind), ask.view.policy, ask.units.temperature)
    rows = []
    if until_s > begin_s:
        window = step.window(begin_s, until_s, ask.view.zone)
        gap_s = int(ask.view.policy.gap_minutes * 60)
        steps = chart_of_place(ask.session, ask.place.id or 0, step, window, gap_s=gap_s).steps
        found = {int(at): n for n, at in enumerate(steps.at_s)}
        for begin, end in zip(window.cuts_s, window.cuts_s[1:], strict=False):
            n = found.get(int(begin))
            at = ask.at(datetime.fromtimestamp(int(begin), UTC))
            if n is None:
                rows.append(Row([at, "", "", "", "0", "NOT MEASURED"], marked=True))
                continue
            low, mean, high = steps.min_c[n], steps.mean_c[n], steps.max_c[n]
            covered = 100 * float(steps.covered_s[n]) / (min(int(end), until_s) - int(begin))
            warm = limit_c is not None and float(high) > limit_c
            cells = [at, *(ask.celsius(float(c)) for c in (low, mean, high))]
            said = "WARMER THAN THE LIMIT" if warm else ""
            rows.append(Row([*cells, f"{min(covered, 100):.0f}", said], marked=warm))
    limit = "no limit is set" if limit_c is None else f"limit {ask.celsius(limit_c)} {ask.degree}"
    each = "hour" if step.civil is None else "day"
    return Record(
        title=f"Temperatures of {ask.place.code}",
        about=[
            f"{ask.place.name}, {ask.place.kind.replace('_', ' ')}; {limit}; a line each {each}"
        ],
        columns=[
            ask.when,
            Column(f"coldest ({ask.degree})", number=True),
            Column(f"mean ({ask.degree})", number=True),
            Column(f"warmest ({ask.degree})", number=True),
            Column("measured (%)", number=True),
            Column("mark", wide=True),
        ],
        rows=rows,
        notes=[
            "A short defrost may be warmer than the limit and no excursion; excursions are "
            "assessed and decided on records of their own.",
            HAND,
        ],
    )


# --- receiving


def _receiving(ask: _Ask) -> Record:
    found = receiving.deliveries_between(
        ask.session, ask.view.id, ask.begin, ask.end, limit=MOST_ROWS + 1
    )
    numbers = [delivery.id or 0 for delivery, _ in found]
    lots = receiving.lots_received(ask.session, numbers)
    cores = receiving.cores_received(ask.session, numbers)
    rows = []
    for delivery, supplier in found:
        for lot, findings in lots.get(delivery.id or 0, []):
            blocking = [f.because for f in findings if f.outcome is Outcome.BLOCK]
            warned = [f.because for f in findings if f.outcome is Outcome.WARN]
            decided = "HELD" if blocking else "accepted"
            if lot.rejected_at is not None:
                decided = f"REJECTED: {lot.rejected_because or ''}"
            said = "; ".join([decided, *blocking, *warned])
            rows.append(
                Row(
                    [
                        ask.at(delivery.arrived_at),
                        str(delivery.id),
                        supplier,
                        ask.celsius(delivery.vehicle_c),
                        lot.code,
                        lot.species_code,
                        lot.supplier_lot or "",
                        str(lot.caught_from or ""),
                        ask.mass(lot.grams),
                        ", ".join(ask.celsius(c) for c in cores.get(lot.id or 0, ())),
                        said,
                    ],
                    marked=bool(blocking) or lot.rejected_at is not None,
                )
            )
    return Record(
        title="Receiving record",
        about=["Every lot as it was received, and what was found"],
        columns=[
            ask.when,
            Column("delivery"),
            Column("supplier"),
            Column(f"vehicle ({ask.degree})", number=True),
            Column("lot"),
            Column("species"),
            Column("supplier lot"),
            Column("caught"),
            Column(f"mass ({ask.units.mass})", number=True),
            Column(f"cores ({ask.degree})"),
            Column("decision on arrival", wide=True),
        ],
        rows=rows,
        notes=[HAND],
    )


# --- intake and supplements


def _intake(ask: _Ask) -> Record:
    assert ask.animal is not None
    found = intake(ask.session, ask.first, ask.last, Grain.DAY, ask.units, animal_id=ask.animal.id)
    names = ("offered", "eaten", "left", "lost", "estimated")
    rows = [
        Row(
            [
                str(day["day"]),
                str(day["feeds"]),
                *(_mass_shown(ask, day[name]) for name in names),
                f"{day['energy_kcal']:.0f}",
                ", ".join(f"{s['species']} {_mass_shown(ask, s['eaten'])}" for s in day["species"]),
                _not_eaten(day),
            ],
            marked=bool(day["refused"] or day["not_offered"]),
        )
        for day in found["days"]
    ]
    unit = ask.units.mass
    return Record(
        title=f"Intake of {ask.animal.name} ({ask.animal.code})",
        about=[f"{ask.animal.taxon}; a line each day on which it was fed"],
        columns=[
            Column("day"),
            Column("feeds", number=True),
            *(Column(f"{name} ({unit})", number=True) for name in names),
            Column("energy (kcal)", number=True),
            Column(f"eaten by species ({unit})", wide=True),
            Column("mark", wide=True),
        ],
        rows=rows,
        notes=[
            "Estimated: its share of what its group ate. " + " ".join(found["cautions"]),
        ],
    )


def _mass_shown(ask: _Ask, shown: Mapping[str, object]) -> str:
    grams = shown["g"]
    assert isinstance(grams, int)
    return ask.mass(grams)


def _not_eaten(day: Mapping[str, object]) -> str:
    named = ((day["refused"], "REFUSED"), (day["not_offered"], "NOT OFFERED"))
    return ", ".join(f"{word} {count} x" for count, word in named if count)


def _supplements(ask: _Ask) -> Record:
    assert ask.animal is not None
    found = recorded_of(
        ask.session,
        ask.animal.id or 0,
        first=ask.first,
        last=ask.last,
        limit=MOST_ROWS + 1,
        before_id=None,
    )
    rows = [
        Row(
            [
                ask.at(each.given.occurred_at),
                str(each.given.day),
                each.product.code,
                f"{each.given.count:g}",
                each.given.batch or "",
                each.given.outcome.replace("_", " "),
                str(each.given.plan_id or ""),
                each.given.by,
                _taken_back(each.reversal.reason if each.reversal else None, each.given.reason),
            ],
            marked=each.reversal is not None or each.given.outcome != "given",
        )
        for each in reversed(found)
    ]
    return Record(
        title=f"Supplements of {ask.animal.name} ({ask.animal.code})",
        about=[ask.animal.taxon],
        columns=[
            ask.when,
            Column("of day"),
            Column("product"),
            Column("count", number=True),
            Column("batch"),
            Column("outcome"),
            Column("plan"),
            Column("by"),
            Column("remarks", wide=True),
        ],
        rows=rows,
        notes=[VET],
    )


def _taken_back(reversal: str | None, reason: str | None) -> str:
    return "; ".join([*([f"TAKEN BACK: {reversal}"] if reversal else []), *filter(None, [reason])])


# --- checks


def _checks(ask: _Ask) -> Record:
    rows = [_check_row(ask, view) for view in _checks_in(ask)]
    return Record(
        title="Checks" if ask.place is None else f"Checks of {ask.place.code}",
        about=["What was measured by hand, cleaned and sanitised"],
        columns=[
            ask.when,
            Column("check"),
            Column("of"),
            Column(f"measured ({ask.degree})", number=True),
            Column("how"),
            Column("result"),
            Column("by"),
            Column("remarks", wide=True),
        ],
        rows=rows,
        notes=[HAND],
    )


def _checks_in(ask: _Ask) -> list[CheckView]:
    wanted = Wanted(place_id=ask.place.id if ask.place else None, from_at=ask.begin, to_at=ask.end)
    found = checks.views(ask.session, [ask.view.id], wanted, limit=MOST_ROWS + 1, before_id=None)
    return sorted(found, key=lambda view: view.check.occurred_at)


def _check_row(ask: _Ask, view: CheckView) -> Row:
    check = view.check
    failed, wrong = view.passed is False, view.replaced_by is not None
    result = {True: "passed", False: "NOT PASSED", None: ""}[view.passed]
    about = (view.place, check.equipment, view.lot, view.probe)
    said = [f"CORRECTED by check {view.replaced_by}" if wrong else None, check.note]
    return Row(
        [
            ask.at(check.occurred_at),
            check.kind.replace("_", " "),
            " ".join(filter(None, about)),
            ask.celsius(check.measured_c),
            (check.method or check.position or "").replace("_", " "),
            result,
            check.by,
            "; ".join(filter(None, said)),
        ],
        marked=failed or wrong,
    )


# --- use of fish


def _fish_use(ask: _Ask) -> Record:
    names = ("need", "pulled", "eaten", "left", "lost", "discarded", "still_there")
    found = fish_use(ask.session, ask.view, ask.first, ask.last)
    rows = [
        Row([str(day.day), each.species, *(ask.mass(getattr(each, name).g) for name in names)])
        for day in found.days
        for each in day.species
    ]
    rows += [
        Row(["in all", each.species, *(ask.mass(getattr(each, name).g) for name in names)])
        for each in found.total
    ]
    return Record(
        title="Use of fish",
        about=["What diets asked for, and what became of the fish that was pulled on each day"],
        columns=[
            Column("day"),
            Column("species"),
            *(
                Column(f"{name.replace('_', ' ')} ({ask.units.mass})", number=True)
                for name in names
            ),
        ],
        rows=rows,
        notes=["Fish is often pulled the day before it is fed: compare the totals."],
    )


# --- the day, in order


def _day(ask: _Ask) -> Record:
    lines = sorted(
        [
            *_feeds(ask),
            *_given(ask),
            *_handled(ask),
            *_holds(ask),
            *_checks_of_day(ask),
            *_arrivals(ask),
            *_warm_times(ask),
        ],
        key=lambda line: line[0],
    )
    return Record(
        title="Day sheet",
        about=[
            "What was recorded: feeds, supplements, arrivals, pulls and other moves of fish, "
            "holds, checks, and when a place was warm or silent"
        ],
        columns=[
            ask.when,
            Column("what"),
            Column("of"),
            Column("record", wide=True),
            Column("by"),
        ],
        rows=[row for _, row in lines],
        notes=[HAND, VET],
    )


_Line = tuple[datetime, Row]


def _feeds(ask: _Ask) -> Iterator[_Line]:
    asked = FeedsAsked(from_day=ask.first, to_day=ask.last)
    for feed in feeds(ask.session, [ask.view.id], asked, limit=MOST_ROWS + 1, before_id=None):
        said, marked = _feed_says(ask, feed)
        who = feed.animal or feed.group or "public"
        yield feed.occurred_at, Row([ask.at(feed.occurred_at), "feed", who, said, feed.by], marked)


def _feed_says(ask: _Ask, feed: FeedView) -> tuple[str, bool]:
    unit = ask.units.mass
    fish = [
        f"{item.species} {item.lot}: offered {ask.mass(item.portion.offered_g)}, "
        f"eaten {ask.mass(item.portion.eaten_g)}, left {ask.mass(item.portion.left_g)} {unit}"
        for item in feed.items
    ]
    eaten = feed.outcome == FeedOutcome.EATEN
    outcome = feed.outcome.replace("_", " ")
    back = ["TAKEN BACK"] if feed.taken_back else []
    said = [*back, outcome if eaten else outcome.upper(), *fish, *filter(None, [feed.note])]
    return "; ".join(said), feed.taken_back or not eaten


def _given(ask: _Ask) -> Iterator[_Line]:
    """Supplements that stand recorded, by the day that they were for."""
    day = ask.first
    while day <= ask.last:
        found = recorded_at_site(ask.session, ask.view.id, day)
        names = animals_by_id(ask.session, {given.animal_id for given, _ in found})
        for given, product in found:
            outcome = given.outcome.replace("_", " ")
            right = given.outcome == "given"
            said = [
                f"{given.count:g} x {product.name}",
                outcome if right else outcome.upper(),
                *([f"batch {given.batch}"] if given.batch else []),
                *filter(None, [given.reason]),
            ]
            at = ask.at(given.occurred_at)
            row = Row(
                [at, "supplement", names[given.animal_id].code, "; ".join(said), given.by],
                marked=not right,
            )
            yield given.occurred_at, row
        day += timedelta(days=1)


def _handled(ask: _Ask) -> Iterator[_Line]:
    """What was done with fish, but for arrivals and feeds, which have lines of their own."""
    found = handled(
        ask.session,
        ask.view.id,
        ask.begin,
        ask.end,
        without=(MovementKind.RECEIVED, MovementKind.FED),
        limit=MOST_ROWS + 1,
    )
    for each in found:
        said = [*(["TAKEN BACK"] if each.taken_back else []), *map(ask.carried, each.carried)]
        lots = ", ".join(dict.fromkeys(carried.lot for carried in each.carried))
        cells = [
            ask.at(each.at),
            each.kind.replace("_", " "),
            lots,
            "; ".join([*said, *filter(None, [each.reason])]),
            each.by,
        ]
        yield each.at, Row(cells, marked=each.taken_back)


def _holds(ask: _Ask) -> Iterator[_Line]:
    for each in holds_between(ask.session, ask.view.id, ask.begin, ask.end):
        hold = each.hold
        if ask.begin <= hold.placed_at < ask.end:
            at = ask.at(hold.placed_at)
            row = Row([at, "hold", each.lot, f"HELD: {hold.reason}", hold.placed_by], marked=True)
            yield hold.placed_at, row
        if hold.released_at is not None and ask.begin <= hold.released_at < ask.end:
            at, why = ask.at(hold.released_at), hold.release_reason or ""
            yield hold.released_at, Row([at, "release", each.lot, why, hold.released_by or ""])


def _checks_of_day(ask: _Ask) -> Iterator[_Line]:
    for view in _checks_in(ask):
        row = _check_row(ask, view)
        at, kind, of, measured, how, result, by, remarks = row.cells
        degrees = f"{measured} {ask.degree}" if measured else ""
        said = "; ".join(filter(None, (degrees, how, result, remarks)))
        yield view.check.occurred_at, Row([at, kind, of, said, by], row.marked)


def _arrivals(ask: _Ask) -> Iterator[_Line]:
    record = _receiving(ask)
    for row in record.rows:
        at, delivery, supplier, _vehicle, lot, species, _code, _caught, mass, cores, said = (
            row.cells
        )
        words = f"{species} {mass} {ask.units.mass}; cores {cores or 'not taken'}; {said}"
        when = datetime.strptime(at, "%Y-%m-%d %H:%M").replace(tzinfo=ask.view.zone)
        yield when, Row([at, f"delivery {delivery}", lot, words, supplier], row.marked)


def _warm_times(ask: _Ask) -> Iterator[_Line]:
    here = {place.id or 0: place.code for place in sites.places_of(ask.session, ask.view.id)}
    for each in excursions_of(ask.session, list(here), ask.begin, ask.end):
        until = f"until {ask.at(each.ended_at)}" if each.ended_at else "goes on"
        peak = f"warmest {ask.celsius(each.peak_c)} {ask.degree}" if each.peak_c is not None else ""
        said = "; ".join(filter(None, (each.kind.upper(), until, peak, each.state)))
        when = max(each.from_at, ask.begin)
        yield when, Row([ask.at(each.from_at), "excursion", here[each.place_id], said, ""], True)


# --- the audit trail


def _audit(ask: _Ask) -> Record:
    found = audit.entries_between(ask.session, ask.view.id, ask.begin, ask.end, limit=MOST_ROWS + 1)
    return Record(
        title="Audit trail",
        about=[
            "Each entry carries the hash of the one before; `fishhouse audit verify` checks all"
        ],
        columns=[
            Column("number", number=True),
            ask.when,
            Column("by"),
            Column("what", wide=True),
            Column("of", wide=True),
            Column("hash begins"),
        ],
        rows=[
            Row([str(e.number), ask.at(e.recorded_at), e.by, e.what, e.subject, e.hash[:12]])
            for e in found
        ],
    )


_MADE_BY: Mapping[Kind, Callable[[_Ask], Record]] = {
    Kind.DAY: _day,
    Kind.TEMPERATURES: _temperatures,
    Kind.RECEIVING: _receiving,
    Kind.INTAKE: _intake,
    Kind.SUPPLEMENTS: _supplements,
    Kind.CHECKS: _checks,
    Kind.FISH_USE: _fish_use,
    Kind.AUDIT: _audit,
}


def offers_for(may: Callable[[Action], bool]) -> Sequence[Offer]:
    """The records that a role may ask for."""
    return [offer for offer in OFFERS if may(offer.right)]


def yesterday(view: SiteView, at: datetime) -> date:
    """The last day that is over."""
    return view.day_of(at) - timedelta(days=1)
