"""Supplements: what is signed, what waits for a signature, what has lapsed and why."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Annotated

from fastapi import Query, Response

from service.animals import queries as animals
from service.animals.models import Animal
from service.http.sessions import Now, WriteSession
from service.pages.forms import Form
from service.pages.page import OnScreen, Screen, go_to, local_path, page_router
from service.pages.supplements_shown import OrderShown, orders_shown
from service.security.guard import MayLook, MayPlanSupplements, MaySignSupplements
from service.security.rules import Action
from service.supplements.actions import planning, showing, signing
from service.supplements.actions.showing import Standing
from service.supplements.queries.standing import animals_by_id
from service.supplements.rules import CAUTIONS
from service.supplements.rules.standing import OrderState
from service.supplements.schemas import ManyPlansIn, ManyPlansOut, SignManyIn

router = page_router("/supplements")
ON_A_PAGE = 50
MOST_NAMED = 100


@dataclass(frozen=True)
class AnimalShown:
    """An animal and where its supplements stand."""

    code: str
    name: str
    orders: Sequence[OrderShown]

    @property
    def proposal(self) -> OrderShown | None:
        """What waits for a signature."""
        return self._first(OrderState.PROPOSED)

    @property
    def standing(self) -> OrderShown | None:
        """What is to be given, if anything is."""
        return self._first(OrderState.IN_FORCE)

    @property
    def others(self) -> Sequence[OrderShown]:
        """All but what waits for a signature."""
        return [order for order in self.orders if order.state != OrderState.PROPOSED]

    def _first(self, state: OrderState) -> OrderShown | None:
        return next((order for order in self.orders if order.state == state), None)


@dataclass(frozen=True)
class OrdersShown:
    """What the page of all animals shows."""

    to_sign: Sequence[AnimalShown]
    ended: Sequence[AnimalShown]
    in_force: Sequence[AnimalShown]
    without: Sequence[Animal]
    """Animals that are here and have neither an order nor a proposal."""
    counts: tuple[int, int, int]
    """Animals in all: to sign, without an order, in force."""
    page: int
    more: bool
    may_sign: bool
    may_plan: bool
    cautions: Sequence[str]


@router.get("")
def orders(
    screen: OnScreen, by: MayLook, page: Annotated[int, Query(ge=1, le=1000)] = 1
) -> Response:
    """Where the supplements of each animal stand; what waits for a signature comes first."""
    found = showing.standings(screen.session, screen.view, at=screen.at)
    by_animal = _by_animal(found)
    ranks = [_rank(each) for each in by_animal.values()]
    begin = (page - 1) * ON_A_PAGE
    chosen = list(by_animal.values())[begin : begin + ON_A_PAGE]
    shown = _shown(screen, chosen)
    here = animals.present(screen.session, screen.view.id, screen.view.day_of(screen.at))
    return screen.show(
        "supplements.html",
        OrdersShown(
            to_sign=[each for each in shown if each.proposal is not None],
            ended=[e for e in shown if e.proposal is None and e.standing is None],
            in_force=[e for e in shown if e.proposal is None and e.standing is not None],
            without=[animal for animal in here if animal.id not in by_animal][:MOST_NAMED],
            counts=(ranks.count(0), ranks.count(1), sum(map(_in_force, by_animal.values()))),
            page=page,
            more=len(by_animal) > begin + ON_A_PAGE,
            may_sign=screen.may(Action.SIGN_SUPPLEMENTS),
            may_plan=screen.may(Action.PLAN_SUPPLEMENTS),
            cautions=CAUTIONS,
        ),
    )


@router.post("/sign")
def sign(
    form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MaySignSupplements
) -> Response:
    """One signature under all that are ticked: all of them or none."""
    order = form.read(SignManyIn, screen.view.zone)
    signed = signing.sign(session, order.plans, order, at=at, by=by)
    said = screen.write.say("Signed: %(count)s.", count=len(signed.plans))
    return go_to(local_path(form.text("_back") or "/supplements"), said=said)


@router.post("/plan")
def plan_many(
    form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayPlanSupplements
) -> Response:
    """Work out what the animals of the site need, and propose it."""
    order = form.read(ManyPlansIn, screen.view.zone, site=screen.view.code)
    planned = planning.plan_many(session, order, at=at, by=by)
    return go_to("/supplements", said=_said(screen, planned))


def _said(screen: Screen, planned: ManyPlansOut) -> str:
    said = screen.write.say(
        "Proposed: %(count)s. Nothing is given unsigned.", count=len(planned.items)
    )
    if not planned.left_out:
        return said
    named = "; ".join(f"{each.animal}: {each.why}" for each in planned.left_out[:5])
    return f"{said} " + screen.write.say(
        "Left out: %(count)s (%(named)s).", count=len(planned.left_out), named=named
    )


def _by_animal(found: Iterable[Standing]) -> dict[int, list[Standing]]:
    """By animal, those with something to sign first, then those without an order."""
    of_animals: dict[int, list[Standing]] = {}
    for each in found:
        of_animals.setdefault(each.plan.animal_id, []).append(each)
    places = list(OrderState)
    for mine in of_animals.values():
        mine.sort(key=lambda each: (places.index(each.state), each.plan.id))
    return dict(sorted(of_animals.items(), key=lambda pair: (_rank(pair[1]), pair[0])))


def _rank(mine: Sequence[Standing]) -> int:
    states = {each.state for each in mine}
    if OrderState.PROPOSED in states:
        return 0
    return 2 if OrderState.IN_FORCE in states else 1


def _in_force(mine: Sequence[Standing]) -> bool:
    return any(each.state is OrderState.IN_FORCE for each in mine)


def _shown(screen: Screen, chosen: Sequence[Sequence[Standing]]) -> list[AnimalShown]:
    """The animals of a page. Today's figures are held against an order on its own page."""
    found = [each for mine in chosen for each in mine]
    named = animals_by_id(screen.session, [each.plan.animal_id for each in found])
    return [
        AnimalShown(animal.code, animal.name, orders_shown(mine))
        for mine in chosen
        for animal in [named[mine[0].plan.animal_id]]
    ]
