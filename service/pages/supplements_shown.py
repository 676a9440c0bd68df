"""Supplements as the pages write them: pieces with fish and feed, figures, where they stand."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from service.catalogue.rules import nutrients, species_facts
from service.pages.words import _
from service.supplements.actions.showing import Standing, end_out
from service.supplements.actions.writing import plan_out
from service.supplements.models import SupplementPlan
from service.supplements.rules.standing import OrderState, differences
from service.supplements.rules.steps import said
from service.supplements.schemas import GivingOut, OrderEndOut, PlannedSupplement, UnmetNeed

STATES = {
    OrderState.IN_FORCE: _("Signed, in force"),
    OrderState.TO_COME: _("Signed, to come"),
    OrderState.PROPOSED: _("Not signed: do not give"),
    OrderState.LAPSED: _("Lapsed: do not give"),
    OrderState.WITHDRAWN: _("Withdrawn: do not give"),
}


@dataclass(frozen=True)
class PlaceShown:
    """Where some of the pieces go: a feed, a fish, and how."""

    amount: str
    feed: int | None
    fish: str | None
    how: str


@dataclass(frozen=True)
class PieceShown:
    """Pieces (grams, millilitres) of one product a day."""

    product: str
    name: str
    amount: str
    places: Sequence[PlaceShown]


@dataclass(frozen=True)
class OrderShown:
    """One order or proposal of an animal."""

    plan: int
    state: OrderState
    word: str
    day: date
    until: date | None
    pieces: Sequence[PieceShown]
    unmet: Sequence[str]
    signed_by: str | None
    signed_as: str | None
    signed_at: datetime | None
    changed: bool
    differences: Sequence[str]
    """Since it was signed; of a proposal: from what is signed."""
    end: OrderEndOut | None


def orders_shown(mine: Sequence[Standing]) -> list[OrderShown]:
    """Where one animal stands; a proposal beside the order that it would take the place of."""
    order = next((each.plan for each in mine if each.state == OrderState.IN_FORCE), None)
    return [_order_shown(each, order) for each in mine]


def _order_shown(standing: Standing, order: SupplementPlan | None) -> OrderShown:
    plan = plan_out(standing.plan)
    changed = standing.differences
    if standing.state == OrderState.PROPOSED and order is not None:
        changed = differences(order.document, standing.plan.document)
    return OrderShown(
        plan=plan.id,
        state=standing.state,
        word=STATES[standing.state],
        day=plan.day,
        until=plan.until,
        pieces=pieces_shown(plan.supplements),
        unmet=unmet_of(plan.unmet),
        signed_by=plan.signed_by,
        signed_as=standing.plan.signed_as,
        signed_at=plan.signed_at,
        changed=standing.compared is not None and standing.compared.changed,
        differences=changed,
        end=None if standing.end is None else end_out(standing.end),
    )


def pieces_shown(supplements: Sequence[PlannedSupplement]) -> list[PieceShown]:
    """Pieces with the places they go to."""
    return [
        PieceShown(
            product=each.product,
            name=each.name,
            amount=amount_of(each.count, each.counted_in),
            places=[_place_shown(giving, each.counted_in) for giving in each.givings],
        )
        for each in supplements
    ]


def unmet_of(unmet: Sequence[UnmetNeed]) -> list[str]:
    """Needs that stay short, in words."""
    return [
        f"{nutrient_name(u.nutrient)}: {figure(u.short_by)} {unit(u.unit)} ({u.why})" for u in unmet
    ]


def amount_of(count: float, counted_in: str) -> str:
    """`2 ×`, `12.5 g`."""
    return f"{said(count)} ×" if counted_in == "piece" else f"{said(count)} {counted_in}"


def fish_name(species: str) -> str:
    """A fish by its name; its code where nobody knows one."""
    facts = species_facts().get(species)
    return species if facts is None else facts.name


def nutrient_name(tag: str) -> str:
    """A nutrient by its name."""
    found = nutrients().get(tag)
    return tag if found is None else found.name


def unit(written: str) -> str:
    """A unit as people write it."""
    return written.replace("ug", "µg")


def figure(value: float) -> str:
    """An amount to the digits that anybody weighs out.

    >>> figure(853.42), figure(2.4571), figure(0.811771)
    ('853', '2.5', '0.81')
    """
    size = abs(value)
    return said(round(value, 2 if size < 1 else 1 if size < 100 else 0))


def _place_shown(giving: GivingOut, counted_in: str) -> PlaceShown:
    return PlaceShown(
        amount=amount_of(giving.count, counted_in),
        feed=giving.feed,
        fish=None if giving.fish is None else fish_name(giving.fish),
        how=giving.how,
    )
