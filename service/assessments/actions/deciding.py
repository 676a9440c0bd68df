"""Deciding what becomes of fish that was in an excursion, and signing it."""

from dataclasses import dataclass, replace
from datetime import datetime

from sqlmodel import Session, select

from service.assessments.actions.assessing import keep
from service.assessments.models import ExcursionDecision
from service.assessments.queries.computing import Computed
from service.assessments.queries.shown import Standing, standing
from service.assessments.rules.deciding import MEANING, Decided, decision_findings
from service.assessments.rules.judging import Choice
from service.assessments.schemas import DecisionIn
from service.decisions import Decision, Finding, decide
from service.errors import Conflict, Invalid
from service.excursions import queries as excursions
from service.excursions.actions.states import move_to
from service.excursions.models import Excursion
from service.excursions.rules import ExcursionState
from service.http.bodies import refuse_future
from service.lots import actions as lot_actions
from service.lots import queries as lots
from service.security import audit
from service.security.actor import Actor
from service.site import actions as site_actions
from service.site import queries as sites


@dataclass(frozen=True)
class Signed:
    """A decision that was signed, and how the excursion stands after it."""

    decision: ExcursionDecision
    standing: Standing
    breaches: tuple[Finding, ...]


def sign(
    session: Session,
    number: int,
    order: DecisionIn,
    *,
    at: datetime,
    by: Actor,
    ready: Standing | None = None,
) -> Signed:
    """Decide on lots of an excursion; holds take effect at once, nothing changes afterwards.

    A newer decision on a lot counts instead of an older one. The excursion is decided when
    every lot with fish on hand is, and it has ended. ready : as `standing`. Raises Invalid
    for a lot that was not there, RuleRefused for fish that is the vet's to decide on,
    NotAllowed for an override of that by somebody else, Conflict for an excursion that was
    withdrawn.
    """
    refuse_future(order.occurred_at, now=at)
    excursion = _locked(session, number, by)
    it = _kept(session, excursion, standing(session, excursion, at=at, ready=ready), at)
    site_id = it.found.view.id
    signed_at = sites.happened_at(session, site_id, order.occurred_at, now=at)
    judged = _judged(order, it, by)
    breaches = site_actions.allow(
        session,
        judged,
        order,
        site=it.found.view,
        subject=f"excursion {number}",
        occurred_at=signed_at,
        at=at,
        by=by,
    )
    breached = {str(found.numbers["lot"]) for found in breaches}
    decision = ExcursionDecision(
        excursion_id=number,
        assessment_id=it.assessment_id,
        lots={
            each.lot: Decided(
                each.decision,
                it.known(each.lot).worst_c,
                breach=each.lot in breached,
                hold=_hold(session, number, each.lot, each.decision, order.reason, at=at, by=by),
            ).kept()
            for each in sorted(order.lots, key=lambda each: each.lot)
        },
        reason=order.reason,
        corrective_action=order.corrective_action,
        meaning=MEANING,
        signed_at=signed_at,
        recorded_at=at,
        by=by.name,
        role=by.role,
        policy_version=it.found.view.policy_version,
    )
    session.add(decision)
    session.flush()
    after = replace(it, decisions=[*it.decisions, decision])
    audit.note(
        session,
        by,
        "excursion decision signed",
        number,
        at=at,
        site_id=site_id,
        after=decision,
        detail={
            "decision": decision.id,
            "lots": {each.lot: each.decision.value for each in order.lots},
            "breaches": [b.rule for b in breaches],
        },
    )
    if excursion.state == ExcursionState.ASSESSED and not after.undecided:
        note = f"decided by {by.name}: {order.reason}"[:1000]
        move_to(session, excursion, ExcursionState.DECIDED, at=at, by=by, note=note)
    return Signed(decision, after, breaches)


def _locked(session: Session, number: int, by: Actor) -> Excursion:
    excursion = excursions.excursion_by_id(session, number, by=by)
    session.exec(select(Excursion).where(Excursion.id == number).with_for_update()).one()
    session.refresh(excursion)
    if excursion.merged_into_id is not None:
        raise Conflict(
            f"excursion {number} was merged into excursion {excursion.merged_into_id}",
            kind="excursion-state",
            advice="Decide on that one.",
        )
    if excursion.state == ExcursionState.WITHDRAWN:
        raise Conflict(f"excursion {number} was withdrawn", kind="excursion-state")
    return excursion


def _kept(session: Session, excursion: Excursion, it: Standing, at: datetime) -> Standing:
    """What is decided on is stored: nothing that comes later changes what somebody saw."""
    if it.number is not None:
        return it
    kept = keep(session, excursion, Computed(it.found, it.air, it.fish), at=at)
    return replace(it, number=kept.number, assessment_id=kept.id)


def _judged(order: DecisionIn, it: Standing, by: Actor) -> Decision:
    there = {group.lot for group, _ in it.fish}
    if not order.lots and it.undecided:
        raise Invalid.at("lots", "name the lots that you decide on")
    named: set[str] = set()
    for index, each in enumerate(order.lots):
        if each.lot not in there:
            raise Invalid.at(f"lots.{index}.lot", f"{each.lot} was not in this excursion")
        if each.lot in named:
            raise Invalid.at(f"lots.{index}.lot", f"{each.lot} is named twice")
        named.add(each.lot)
    limit_c = it.found.view.policy.excursion_core_limit
    return decide(
        *(
            decision_findings(it.known(each.lot), each.decision, by.role, limit_c)
            for each in order.lots
        )
    )


def _hold(
    session: Session,
    number: int,
    code: str,
    choice: Choice,
    reason: str,
    *,
    at: datetime,
    by: Actor,
) -> int | None:
    """To hold and to condemn both hold the lot; taking it out of the books is a step of its own."""
    if choice not in (Choice.HOLD, Choice.CONDEMN):
        return None
    lot = lots.lot_by_code(session, code, by=by)
    because = f"excursion {number}, {choice}: {reason}"[:1000]
    return lot_actions.place_hold(session, lot, because, at=at, by=by).id
