"""An excursion: what happened, what it did to the fish, which cartons to probe, the decision."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from math import inf

import numpy as np
from fastapi import Response

from service.assessments.actions import deciding
from service.assessments.queries import shown as assessments
from service.assessments.queries.shown import Standing
from service.assessments.rules.figures import Line as Course
from service.assessments.rules.figures import Member
from service.assessments.rules.judging import STRICTNESS, Choice
from service.assessments.schemas import AssessmentOut, DecidedOut, DecisionIn, FishOut, ProbeOut
from service.checks.rules import CheckKind
from service.checks.schemas import CheckOut
from service.excursions import queries as excursions
from service.excursions.models import Excursion
from service.excursions.rules import SETTLED, ExcursionKind, ExcursionState
from service.http.bodies import Number
from service.http.sessions import Now, WriteSession
from service.pages.chart import Chart, Line, chart
from service.pages.forms import Entered, Form
from service.pages.page import OnScreen, Screen, go_to, page_router
from service.pages.rooms import CHECKS, HAPPENED, STATES
from service.pages.rooms_place import in_unit, limit_at, unit_words
from service.pages.words import _
from service.quantities import from_celsius
from service.security.guard import MayDecideExcursion, MayLook
from service.security.rules import Action, Role
from service.site.rules import PlaceKind, place_limit_c

router = page_router("/rooms/excursions")

CHOICES = {
    Choice.USE: _("use as usual"),
    Choice.USE_FIRST: _("use first"),
    Choice.HOLD: _("hold"),
    Choice.CONDEMN: _("condemn"),
}
BEGAN = {
    ExcursionKind.WARM: _("It became warmer than its limit."),
    ExcursionKind.RISING: _("It began to rise fast."),
    ExcursionKind.SILENT: _("The thermometer fell silent."),
}
ENDED = {
    ExcursionKind.WARM: _("It was cold again."),
    ExcursionKind.RISING: _("It did not rise any more."),
    ExcursionKind.SILENT: _("The thermometer was heard again."),
}
MOST_STORY = 60


@dataclass(frozen=True)
class Moment:
    """Something that happened, or that somebody did, in words."""

    at: datetime
    words: str
    by: str | None = None
    strong: bool = False


@dataclass(frozen=True)
class Where:
    """What happened to a carton at one position of the stack."""

    words: str
    figures: Member


@dataclass(frozen=True)
class Lot:
    """What became of the fish of one lot that shares its history."""

    fish: FishOut
    suggestion: str
    positions: Sequence[Where]
    decided: DecidedOut | None
    decided_words: str | None
    waits: bool


@dataclass(frozen=True)
class Question:
    """A lot that somebody has to decide on, with what its figures suggest."""

    lot: str
    species: str
    on_hand_g: int
    warmest_c: float
    suggestion: str
    may_release: Sequence[Role]
    vet_only: bool


@dataclass(frozen=True)
class OneExcursion:
    """An excursion with everything that is known of it.

    ranges : whether whoever looks sees ranges and reasons, or only numbers. again : there is
    nothing to decide, but somebody who may decide could decide anew.
    """

    number: int
    place: str
    place_name: str
    title: str
    state: str
    settled: bool
    merged_into: int | None
    said: AssessmentOut
    story: Sequence[Moment]
    chart: Chart | None
    lots: Sequence[Lot]
    cartons: Sequence[ProbeOut]
    unit: str
    ranges: bool
    may_check: bool
    may_decide: bool
    questions: Sequence[Question]
    nothing_there: bool
    choices: Mapping[Choice, str] = field(default_factory=lambda: CHOICES)


@router.get("/{number}")
def one_excursion(number: Number, screen: OnScreen, by: MayLook, again: bool = False) -> Response:
    """One excursion, as a story, with its assessment and what there is to do."""
    it = _standing(screen, number)
    screen = screen.at_site(it.found.place.site_id)
    said = assessments.shown(screen.session, it)
    return screen.show("rooms_excursion.html", _page(screen, it, said, again))


@router.post("/{number}/decision")
def decide(
    number: Number,
    form: Form,
    screen: OnScreen,
    session: WriteSession,
    at: Now,
    by: MayDecideExcursion,
) -> Response:
    """Sign what becomes of the lots; lots without an answer wait."""
    ready = _standing(screen, number)
    order = _answered(form, screen.at_site(ready.found.place.site_id))
    signed = deciding.sign(session, number, order, at=at, by=by, ready=ready)
    left = signed.standing.undecided
    said = screen.write.say("Signed.")
    if left:
        said += " " + screen.write.say("Still waiting: %(lots)s.", lots=", ".join(left))
    return go_to(f"/rooms/excursions/{number}", said=said)


def _answered(form: Entered, screen: Screen) -> DecisionIn:
    """The decision without the lots that nobody has answered for."""
    named = {name.rsplit(".", 1)[0] for name, value in form.fields if _is_answer(name, value)}
    kept = [
        (name, value)
        for name, value in form.fields
        if not name.startswith("lots.") or name.rsplit(".", 1)[0] in named
    ]
    none: dict[str, list[str]] = {} if named else {"lots": []}
    return replace(form, fields=kept).read(DecisionIn, screen.view.zone, **none)


def _is_answer(name: str, value: str) -> bool:
    return name.startswith("lots.") and name.endswith(".decision") and bool(value.strip())


def _standing(screen: Screen, number: int) -> Standing:
    excursion = excursions.excursion_by_id(screen.session, number, by=screen.by)
    return assessments.standing(screen.session, excursion, at=screen.at)


def _page(screen: Screen, it: Standing, said: AssessmentOut, again: bool) -> OneExcursion:
    excursion, place = it.found.excursion, it.found.place
    settled = said.state in SETTLED
    fish = sorted(said.fish, key=lambda f: (-f.figures.worst.peak_core.range[1], f.lot))
    may_decide = screen.may(Action.DECIDE_EXCURSION) and excursion.merged_into_id is None
    may_decide = may_decide and said.state is not ExcursionState.WITHDRAWN
    asked = said.undecided if not again else sorted({f.lot for f in fish if f.on_hand.g > 0})
    return OneExcursion(
        number=said.excursion,
        place=place.code,
        place_name=place.name,
        title=HAPPENED[said.kind],
        state=STATES[said.state],
        settled=settled,
        merged_into=excursion.merged_into_id,
        said=said,
        story=_story(screen, it, said),
        chart=_chart(screen, it, said, fish),
        lots=[_lot(each, said.undecided) for each in fish],
        cartons=said.probe_next.cartons,
        unit=screen.view.units.temperature.upper(),
        ranges=screen.by.role is not Role.KEEPER,
        may_check=screen.may(Action.CHECK) and not settled,
        may_decide=may_decide,
        questions=[_question(lot, fish) for lot in asked] if may_decide else (),
        nothing_there=not fish and not settled,
    )


def _lot(fish: FishOut, undecided: Sequence[str]) -> Lot:
    figures = fish.figures
    return Lot(
        fish=fish,
        suggestion=CHOICES[figures.suggestion],
        positions=[
            Where(_("an outer corner"), figures.worst),
            Where(_("the middle"), figures.typical),
        ],
        decided=fish.decided,
        decided_words=CHOICES[fish.decided.decision] if fish.decided else None,
        waits=fish.lot in undecided,
    )


def _question(lot: str, fish: Sequence[FishOut]) -> Question:
    """What is known of all fish of a lot: the worst counts."""
    own = [each for each in fish if each.lot == lot]
    suggestion = max((each.figures.suggestion for each in own), key=STRICTNESS.__getitem__)
    may = set.intersection(*(set(each.may_release) for each in own))
    return Question(
        lot=lot,
        species=own[0].species,
        on_hand_g=sum(each.on_hand.g for each in own),
        warmest_c=max(each.figures.worst.peak_core.range[1] for each in own),
        suggestion=CHOICES[suggestion],
        may_release=sorted(may),
        vet_only=may == {Role.VET},
    )


# The story.


def _story(screen: Screen, it: Standing, said: AssessmentOut) -> list[Moment]:
    """What happened and who did what, in order."""
    write = screen.write
    found = [
        Moment(said.from_at, write.say(BEGAN[said.kind]), strong=True),
        Moment(it.found.excursion.opened_at, write.say("The service noticed it and told people.")),
        *_peak(screen, it.found.excursion, said),
        *(_measured(screen, check) for check in said.checks if check.replaced_by is None),
        *(
            Moment(
                each.signed_at,
                write.say(
                    "Decided: %(lots)s. %(reason)s Done about the cause: %(action)s",
                    lots=_choices(screen, each.lots),
                    reason=_sentence(each.reason),
                    action=_sentence(each.corrective_action),
                ),
                by=f"{each.by} ({write.say(each.role)})",
                strong=True,
            )
            for each in it.decisions
        ),
    ]
    if said.ended_at is not None:
        lasted = write.span(said.ended_at - said.from_at)
        words = f"{write.say(ENDED[said.kind])} {write.say('It had lasted %(span)s.', span=lasted)}"
        found.append(Moment(said.ended_at, words, strong=True))
    return sorted(found, key=lambda moment: moment.at)[-MOST_STORY:]


def _peak(screen: Screen, excursion: Excursion, said: AssessmentOut) -> list[Moment]:
    """When the air was warmest, if it was measured."""
    line = said.air.line
    if excursion.peak_c is None or not line.at:
        return []
    warmest = max(range(len(line.at)), key=line.value.__getitem__)
    peak = screen.write.temperature(max(excursion.peak_c, line.value[warmest]))
    return [Moment(line.at[warmest], screen.write.say("The air was at %(peak)s.", peak=peak))]


def _measured(screen: Screen, check: CheckOut) -> Moment:
    write = screen.write
    what = write.say(CHECKS[check.kind])
    at = "" if check.temperature is None else f" {write.temperature(check.temperature.c)}"
    where = [part for part in (check.lot, check.position, check.carton) if part]
    said = f"{what}{at}" + (f" ({', '.join(where)})" if where else "")
    return Moment(check.occurred_at, write.say("Measured by hand: %(what)s", what=said), check.by)


def _choices(screen: Screen, lots: Mapping[str, Mapping[str, object]]) -> str:
    said = [
        f"{lot}: {screen.write.say(CHOICES[Choice(str(kept['choice']))])}"
        for lot, kept in lots.items()
    ]
    return ", ".join(said) or screen.write.say("no fish was there")


def _sentence(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else f"{text}."


# The chart.


def _chart(
    screen: Screen, it: Standing, said: AssessmentOut, fish: Sequence[FishOut]
) -> Chart | None:
    """Air and limits, the core of the fish that may have become warmest, what was measured."""
    air = said.air.line
    if len(air.at) < 2:
        return None
    core = fish[0].figures.core if fish else None
    end = max(air.at[-1], core.at[-1] if core and core.at else air.at[-1])
    lines = [_course(screen, screen.write.say("air"), air)]
    if fish and core:
        words = screen.write.say("core, %(lot)s, outer corner, as estimated", lot=fish[0].lot)
        lines.append(_course(screen, words, core, dashed=True))
    if cores := [c for c in said.checks if c.kind is CheckKind.CORE and c.replaced_by is None]:
        lines.append(_dots(screen, cores))
    policy, units = screen.view.policy, screen.view.units
    limit_c = place_limit_c(PlaceKind(it.found.place.kind), policy, units.temperature)
    limits = [limit_at(screen, policy.excursion_core_limit, screen.write.say("core limit"))]
    if limit_c is not None:
        limits.append(limit_at(screen, limit_c, screen.write.say("limit")))
    return chart(
        air.at[0],
        max(end, air.at[0] + timedelta(minutes=10)),
        lines,
        write=screen.write,
        unit=unit_words(screen),
        limits=limits,
    )


def _course(screen: Screen, name: str, course: Course, *, dashed: bool = False) -> Line:
    return Line(
        name=name,
        at_s=[at.timestamp() for at in course.at],
        value=in_unit(screen, np.array(course.value)),
        low=in_unit(screen, np.array(course.low)),
        high=in_unit(screen, np.array(course.high)),
        longest_s=inf,
        dashed=dashed,
    )


def _dots(screen: Screen, cores: Sequence[CheckOut]) -> Line:
    ordered = sorted(cores, key=lambda check: check.occurred_at)
    unit = screen.view.units.temperature
    return Line.of(
        screen.write.say("core, measured"),
        [(c.occurred_at, from_celsius(c.temperature.c, unit)) for c in ordered if c.temperature],
        shape="dots",
    )
