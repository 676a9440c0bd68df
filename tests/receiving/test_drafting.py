"""Entering a delivery step by step: several hands, one truck."""

import pytest

from service.errors import Conflict, Invalid, NotAllowed, NotFound
from service.quantities import parse_temperature
from service.receiving import queries
from service.receiving.actions import drafting
from service.receiving.schemas import AmountEntered, ArrivalEntered, FishEntered
from service.security.actor import Actor
from service.security.rules import Role
from tests.kitchen import Kitchen

ANA = Actor(user_id=1, name="Ana", role=Role.COMMISSARY)
BEN = Actor(user_id=2, name="Ben", role=Role.COMMISSARY)
ELSEWHERE = Actor(user_id=3, name="Eve", role=Role.COMMISSARY, sites=frozenset({99}))
FISH = FishEntered.model_validate({"product": "HER-BLOCK-10", "caught_from": "2026-08-01"})


def begun(kitchen: Kitchen) -> int:
    with kitchen.writing() as session:
        draft = drafting.begin(session, "NORD", site_id=1, at=kitchen.clock(), by=ANA)
        return draft.id or 0


def test_two_at_one_truck_enter_a_lot_each_and_lose_nothing(kitchen: Kitchen) -> None:
    number = begun(kitchen)
    at = kitchen.clock()
    with kitchen.writing() as session:
        hers = drafting.add_lot(session, number, at=at, by=ANA)
    with kitchen.writing() as session:
        his = drafting.add_lot(session, number, at=at, by=BEN)
    with kitchen.writing() as session:
        drafting.enter_lot(session, number, his, at=at, by=BEN, fish=FISH)
    with kitchen.writing() as session:
        amount = AmountEntered.model_validate({"mass": "25 lb"})
        drafting.enter_lot(session, number, hers, at=at, by=ANA, amount=amount)
    with kitchen.looking() as session:
        draft = queries.draft_by_id(session, number, by=ANA)
        entered = drafting.entered_of(draft)
    assert hers != his and draft.changed_by == "Ana"
    assert entered.lots[his].fish == FISH
    amount_kept = entered.lots[hers].amount
    assert amount_kept is not None and amount_kept.mass is not None
    assert amount_kept.mass.grams == 11_340


def test_what_was_entered_comes_back_as_it_was_said(kitchen: Kitchen) -> None:
    number = begun(kitchen)
    said = ArrivalEntered.model_validate(
        {"supplier": "NORD", "vehicle_temperature": "0 F", "order_number": "PO-7"}
    )
    with kitchen.writing() as session:
        drafting.enter_arrival(session, number, said, at=kitchen.clock(), by=ANA)
        core = parse_temperature("-2.5 F")
        drafting.add_core(session, number, 0, core, at=kitchen.clock(), by=ANA)
    with kitchen.looking() as session:
        entered = drafting.entered_of(queries.draft_by_id(session, number, by=ANA))
    assert entered.arrival == said
    assert entered.lots[0].core_temperatures == [core]


def test_a_draft_of_another_site_is_out_of_reach(kitchen: Kitchen) -> None:
    number = begun(kitchen)
    with kitchen.writing() as session:
        with pytest.raises(NotAllowed):
            drafting.add_lot(session, number, at=kitchen.clock(), by=ELSEWHERE)
        with pytest.raises(NotAllowed):
            drafting.begin(session, "NORD", site_id=1, at=kitchen.clock(), by=ELSEWHERE)
        with pytest.raises(NotFound):
            drafting.enter_lot(session, number, 7, at=kitchen.clock(), by=ANA, fish=FISH)


def test_a_draft_without_a_whole_lot_is_not_received(kitchen: Kitchen) -> None:
    number = begun(kitchen)
    with kitchen.writing() as session:
        with pytest.raises(Conflict, match="not every lot is complete"):
            drafting.receive(session, number, at=kitchen.clock(), by=ANA)
        drafting.enter_lot(session, number, 0, at=kitchen.clock(), by=ANA, left_out=True)
        with pytest.raises(Conflict, match="there is no lot yet"):
            drafting.receive(session, number, at=kitchen.clock(), by=ANA)


def test_an_arrival_in_the_future_is_refused_at_its_step(kitchen: Kitchen) -> None:
    number = begun(kitchen)
    late = {"supplier": "NORD", "arrived_at": "2027-01-01T06:00:00Z"}
    with kitchen.writing() as session, pytest.raises(Invalid):
        said = ArrivalEntered.model_validate(late)
        drafting.enter_arrival(session, number, said, at=kitchen.clock(), by=ANA)
