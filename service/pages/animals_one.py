"""One animal: what it ate against its diet, what it weighs, and what it was given."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from fastapi import Response

from service.animals import queries as animals
from service.animals.actions import setting_up
from service.animals.models import Animal, AnimalWeight
from service.animals.rules import Sex
from service.animals.schemas import WeightIn
from service.catalogue.rules import nutrients, species_facts
from service.diets.actions import setting
from service.diets.queries import kept
from service.diets.queries.need import shares_of
from service.diets.queries.showing import shown
from service.diets.rules import DietStatus
from service.diets.rules.season import season_factor
from service.diets.schemas import DietIn, DietOut, PlannedFeedIn
from service.feeding.queries import record as records
from service.feeding.rules import Grain, step_of
from service.http.bodies import LARGEST_NUMBER
from service.http.sessions import Now, WriteSession
from service.pages.animals import SEXES, STAGES
from service.pages.chart import Chart, Line, chart
from service.pages.columns import Columns, Step, columns
from service.pages.forms import Form
from service.pages.frame import WHO_SEES_REASONS
from service.pages.page import OnScreen, Screen, go_to, page_router
from service.pages.words import _
from service.security.guard import MayKeepAnimals, MayLook, MayProposeDiet
from service.security.rules import Action
from service.welfare.queries import looking
from service.welfare.rules import ConcernKind, Reason, what_to_do

router = page_router("/animals")

SPANS = {
    "month": (30, Grain.DAY, _("30 days")),
    "quarter": (91, Grain.WEEK, _("13 weeks")),
    "year": (365, Grain.WEEK, _("A year")),
    "five": (5 * 365, Grain.MONTH, _("Five years")),
}
COUNTS = _("The diet counts from the day named.")
WAITS = _("Proposed. It counts once it is approved.")
MOST_WEIGHTS, MOST_DIETS, MOST_LOTS, DIET_ROWS = 60, 12, 40, 5


@dataclass(frozen=True)
class Eaten:
    """So much of something."""

    name: str
    code: str
    grams: int
    share: float


@dataclass(frozen=True)
class Concern:
    """Something noticed about the animal, and what to do."""

    because: str
    to_do: str
    since: datetime


@dataclass(frozen=True)
class OneShown:
    """One animal."""

    code: str
    name: str
    about: Sequence[str]
    """Taxon, sex, born, water: what is known."""
    body_mass_g: int | None
    weighed_at: datetime | None
    eaten_today_g: int
    ration: Sequence[Eaten]
    ration_g: int | None
    fast: str | None
    concerns: Sequence[Concern]
    span: str
    spans: Sequence[tuple[str, str]]
    chart: Columns
    table: Sequence[Step]
    eaten_g: int
    species: Sequence[Eaten]
    lots: Sequence[Eaten]
    nutrients: Sequence[tuple[str, str]]
    cautions: Sequence[str]
    weights: Sequence[tuple[datetime, int]]
    weight_chart: Chart | None
    """Body mass over time; None before the second weighing."""
    diet: DietOut | None
    earlier_diets: Sequence[DietOut]
    known_species: Sequence[tuple[str, str]]
    diet_rows: int
    may_weigh: bool
    may_diet: bool
    """Whether a diet that this role writes counts at once, or waits for approval."""
    may_propose: bool
    in_detail: bool
    gone_on: date | None


@router.get("/{animal}")
def animal_page(animal: str, screen: OnScreen, by: MayLook, span: str = "month") -> Response:
    """One animal: intake against diet over time, body mass, fish, supplements, lots.

    Some twenty queries, whatever the history: the charts read sums by day.
    """
    found = animals.animal_by_code(screen.session, animal, by=by)
    screen = screen.at_site(found.site_id)
    return screen.show(
        "animals_one.html", _shown(screen, found, span if span in SPANS else "month")
    )


def _shown(screen: Screen, animal: Animal, span: str) -> OneShown:
    session, view, at = screen.session, screen.view, screen.at
    today, id_ = view.day_of(at), animal.id or 0
    length, grain, _name = SPANS[span]
    first = today - timedelta(days=length - 1)
    record = records.record(session, first, today, grain, view.units, animal_id=id_)
    of_today = records.record(session, today, today, Grain.DAY, view.units, animal_id=id_)
    diets = _diets(screen, animal)
    weights = animals.weights(session, id_, limit=MOST_WEIGHTS, before=None)
    steps = _steps(screen, record, diets, first, today, grain)
    in_force = _in_force(diets, today)
    ration = shares_of(session, view, today, [animal]).get(id_)
    fast = animals.fasts_on(session, view.id, today).get(id_)
    eaten_g = record["total"]["g"]
    return OneShown(
        code=animal.code,
        name=animal.name,
        about=_about(screen, animal),
        body_mass_g=weights[0].grams if weights else None,
        weighed_at=weights[0].occurred_at if weights else None,
        eaten_today_g=of_today["total"]["g"],
        ration=_of_species([(s.species, s.grams) for s in ration or ()]),
        ration_g=sum(s.grams for s in ration) if ration is not None else None,
        fast=fast.reason if fast else None,
        concerns=_concerns(screen, animal),
        span=span,
        spans=[(key, words) for key, (_d, _g, words) in SPANS.items()],
        chart=columns(steps, unit=view.units.mass),
        table=steps,
        eaten_g=eaten_g,
        species=_of_species([(s["species"], s["eaten"]["g"]) for s in record["species"]]),
        lots=_of_lots(record["lots"]),
        nutrients=_nutrients(record["nutrients"]),
        cautions=record["cautions"],
        weights=[(w.occurred_at, w.grams) for w in weights],
        weight_chart=_weight_chart(screen, weights),
        diet=in_force,
        earlier_diets=[d for d in diets if in_force is None or d.id != in_force.id],
        known_species=known_species(),
        diet_rows=DIET_ROWS,
        may_weigh=screen.may(Action.KEEP_ANIMALS),
        may_diet=screen.may(Action.SET_DIET),
        may_propose=screen.may(Action.PROPOSE_DIET),
        in_detail=screen.by.role in WHO_SEES_REASONS,
        gone_on=animal.gone_on,
    )


def _about(screen: Screen, animal: Animal) -> list[str]:
    say = screen.write.say
    known = [animal.taxon]
    if animal.sex != Sex.UNKNOWN:
        known.append(say(SEXES[animal.sex]))  # type: ignore[index]
    if animal.born_on is not None:
        years = (screen.view.day_of(screen.at) - animal.born_on).days // 365.25
        known.append(say("%(years)s years", years=int(years)))
    stages = animals.stages_on(screen.session, screen.view.id, screen.view.day_of(screen.at))
    return [*known, *(say(STAGES[stage]) for stage in sorted(stages.get(animal.id or 0, ())))]


def _diets(screen: Screen, animal: Animal) -> list[DietOut]:
    """The diets of the animal, the latest recorded first."""
    rows = kept.history(screen.session, animal, limit=MOST_DIETS, before_id=LARGEST_NUMBER)
    diets = [(version, animal) for version in rows]
    return shown(screen.session, screen.view, diets, at=screen.at)


def _wanted_g(diets: Sequence[DietOut], day: date) -> float | None:
    """What the diet in force on a day comes to, with the season; at today's body mass."""
    diet = _in_force(diets, day)
    if diet is None or diet.total is None:
        return None
    return diet.total.g * (season_factor(diet.season, day) if diet.season else 1.0)


def _steps(
    screen: Screen,
    record: dict[str, Any],
    diets: Sequence[DietOut],
    first: date,
    last: date,
    grain: Grain,
) -> list[Step]:
    """Every step from the first day to the last, those without a feed too.

    A step of several days is shown as its mean day, so that the diet's line stays where it is.
    """
    units, write = screen.view.units, screen.write
    known = {step["day"]: step for step in record["days"]}
    found = []
    day = first
    while day <= last:
        until = min(step_of(day, grain)[1], last)
        length = (until - day).days + 1
        step = known.get(day)
        eaten_g = step["eaten"]["g"] / length if step else 0.0
        left_g = step["left"]["g"] / length if step else 0.0
        wanted_g = _wanted_g(diets, day + timedelta(days=length // 2))
        label = write.day(day)
        says = write.say(
            "%(day)s: eaten %(eaten)s, left %(left)s, diet %(diet)s",
            day=label,
            eaten=write.mass(round(eaten_g)),
            left=write.mass(round(left_g)),
            diet=write.mass(round(wanted_g)) if wanted_g is not None else "–",
        )
        per_unit = units.mass_value
        found.append(
            Step(
                label=label,
                eaten=per_unit(round(eaten_g)),
                left=per_unit(round(left_g)),
                wanted=None if wanted_g is None else per_unit(round(wanted_g)),
                says=says,
            )
        )
        day = until + timedelta(days=1)
    return found


def _weight_chart(screen: Screen, weights: Sequence[AnimalWeight]) -> Chart | None:
    """Body mass over time, of weighings the newest first."""
    if len(weights) < 2 or weights[0].occurred_at == weights[-1].occurred_at:
        return None
    units = screen.view.units
    line = Line.of(
        screen.write.say("Body mass"),
        [(w.occurred_at, units.mass_value(w.grams)) for w in reversed(weights)],
    )
    return chart(
        weights[-1].occurred_at,
        max(screen.at, weights[0].occurred_at),
        [line],
        write=screen.write,
        unit=units.mass,
    )


def known_species() -> list[tuple[str, str]]:
    """Codes and names of fish, by name."""
    return sorted(((c, f.name) for c, f in species_facts().items()), key=lambda pair: pair[1])


def _of_species(pairs: Sequence[tuple[str, int]]) -> list[Eaten]:
    total: dict[str, int] = {}
    for code, grams in pairs:
        total[code] = total.get(code, 0) + grams
    whole = sum(total.values()) or 1
    names = dict(known_species())
    return [
        Eaten(names.get(code, code), code, grams, grams / whole)
        for code, grams in sorted(total.items(), key=lambda pair: -pair[1])
    ]


def _of_lots(lots: Sequence[dict[str, Any]]) -> list[Eaten]:
    whole = sum(lot["eaten"]["g"] for lot in lots) or 1
    most = sorted(lots, key=lambda lot: -lot["eaten"]["g"])[:MOST_LOTS]
    return [
        Eaten(lot["species"], lot["lot"], lot["eaten"]["g"], lot["eaten"]["g"] / whole)
        for lot in most
    ]


def _nutrients(eaten: Sequence[dict[str, Any]]) -> list[tuple[str, str]]:
    names = nutrients()
    return [
        (names[one["nutrient"]].name, f"{one['amount']:,.4g} {one['unit']}")
        for one in eaten
        if one["amount"]
    ]


def _concerns(screen: Screen, animal: Animal) -> list[Concern]:
    rows = looking.concerns(
        screen.session,
        [screen.view.id],
        animal_id=animal.id,
        over=False,
        limit=10,
        before_id=None,
    )
    return [
        Concern(
            because=row.because,
            to_do=what_to_do(ConcernKind(row.kind), Reason(row.reason) if row.reason else None),
            since=row.since,
        )
        for row, _animal, _group in rows
    ]


@router.post("/{animal}/weights")
def weigh(
    animal: str, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayKeepAnimals
) -> Response:
    """What it weighs."""
    found = animals.animal_by_code(session, animal, by=by)
    screen = screen.at_site(found.site_id)
    order = form.read(WeightIn, screen.view.zone)
    weight = setting_up.weigh(session, animal, order, at=at, by=by)
    said = screen.write.say("%(mass)s recorded.", mass=screen.write.mass(weight.grams))
    return go_to(f"/animals/{animal}", said=said)


@router.post("/{animal}/diets")
def set_diet(
    animal: str, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayProposeDiet
) -> Response:
    """A diet from a day on; a keeper's waits for somebody who may approve it."""
    found = animals.animal_by_code(session, animal, by=by)
    screen = screen.at_site(found.site_id)
    order = form.read(DietIn, screen.view.zone)
    if form.text("_keep"):
        order = _kept(order, _in_force(_diets(screen, found), order.from_day))
    counts = screen.may(Action.SET_DIET)
    status = DietStatus.APPROVED if counts else DietStatus.PROPOSED
    setting.record(session, found, order, status, at=at, by=by)
    said = COUNTS if counts else WAITS
    return go_to(f"/animals/{animal}", said=screen.write.say(said))


def _in_force(diets: Sequence[DietOut], day: date) -> DietOut | None:
    """The diet that a day ends with: that which began last; from the same feed, the one recorded
    last, as in planning."""
    holding = [d for d in diets if d.status == DietStatus.APPROVED and d.from_day <= day]
    return max(holding, key=lambda d: (d.from_day, d.from_feed, d.id), default=None)


def _kept(order: DietIn, before: DietOut | None) -> DietIn:
    """A new diet with what no form asks for as it was before: season, substitutes, and the times
    of its feeds where there are as many as before."""
    if before is None:
        return order
    substitutes = {item.species: item.substitutes for item in before.items}
    items = [
        item.model_copy(update={"substitutes": substitutes.get(item.species, [])})
        for item in order.items
    ]
    kept: dict[str, object] = {"items": items, "season": before.season}
    if before.feeds and len(before.feeds) == order.feeds_per_day:
        kept["feeds"] = [PlannedFeedIn(**feed.model_dump()) for feed in before.feeds]
    return order.model_copy(update=kept)
