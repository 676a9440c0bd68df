"""Signing: a person decides; the lots are held or rejected; nothing changes afterwards."""

from collections.abc import Mapping
from datetime import datetime

from sqlmodel import Session

from service.decisions import Decision, Finding
from service.errors import Invalid
from service.inspections import queries
from service.inspections.actions.answering import refuse_signed
from service.inspections.models import Inspection, InspectionSignature
from service.inspections.queries import State
from service.inspections.rules.outcome import Proposal, Verdict, proposal, strictest
from service.inspections.schemas import SignatureIn
from service.lots import actions as lot_actions
from service.lots.schemas import RejectionIn
from service.security import audit
from service.security.actor import Actor
from service.site import actions as site_actions
from service.site import queries as sites
from service.site.queries import SiteView

MEANING = "I have looked at what came and decide what becomes of it."


def sign(
    session: Session, number: int, order: SignatureIn, *, at: datetime, by: Actor
) -> Inspection:
    """Decide on every lot and sign; holds and rejections take effect at once.

    Judged by the policy in force when the inspection was opened. Raises Conflict where it
    is signed, Invalid for a lot that is not its own, RuleRefused for a decision milder
    than proposed without an override by somebody entitled.
    """
    inspection = queries.inspection_by_id(session, number, by=by, lock=True)
    refuse_signed(session, inspection)
    signed_at = sites.happened_at(session, inspection.site_id, order.occurred_at, now=at)
    view = sites.view(session, inspection.site_id, at=inspection.opened_at)
    state = queries.state(session, inspection)
    proposed = {seen.lot: proposal(seen, view.policy) for seen in state.seen()}
    decided = _decided(order, proposed)
    _allow(session, order, proposed, decided, inspection, view, signed_at, at, by)
    signature = InspectionSignature(
        inspection_id=number,
        decision=strictest(list(decided.values())),
        proposed=strictest([each.verdict for each in proposed.values()]),
        lots={code: verdict.value for code, verdict in decided.items()},
        reason=order.reason,
        meaning=MEANING,
        signed_at=signed_at,
        recorded_at=at,
        by=by.name,
        role=by.role,
        policy_version=view.policy_version,
    )
    session.add(signature)
    session.flush()
    _take_effect(session, state, decided, order.reason, at=at, by=by)
    audit.note(
        session,
        by,
        "inspection signed",
        number,
        at=at,
        site_id=inspection.site_id,
        after=signature,
        detail={"decision": signature.decision, "lots": signature.lots},
    )
    return inspection


def _decided(order: SignatureIn, proposed: Mapping[str, Proposal]) -> dict[str, Verdict]:
    decided = dict.fromkeys(proposed, order.decision)
    for number, each in enumerate(order.lots):
        if each.lot not in decided:
            raise Invalid.at(f"lots.{number}.lot", f"{each.lot} is no lot of this inspection")
        decided[each.lot] = each.decision
    return decided


def _allow(
    session: Session,
    order: SignatureIn,
    proposed: Mapping[str, Proposal],
    decided: Mapping[str, Verdict],
    inspection: Inspection,
    view: SiteView,
    signed_at: datetime,
    at: datetime,
    by: Actor,
) -> None:
    """More strictly than proposed as they like; more mildly only who may override each reason."""
    against: tuple[Finding, ...] = ()
    for code, each in proposed.items():
        against += each.against(decided[code])
    site_actions.allow(
        session,
        Decision(against),
        order,
        site=view,
        subject=f"inspection {inspection.id}",
        occurred_at=signed_at,
        at=at,
        by=by,
    )


def _take_effect(
    session: Session,
    state: State,
    decided: Mapping[str, Verdict],
    reason: str,
    *,
    at: datetime,
    by: Actor,
) -> None:
    """Hold or reject through the lots' own actions; acceptance releases no hold.

    In the order of species, as every stock write locks them.
    """
    because = f"inspection {state.inspection.id}: {reason}"[:1000]
    for _, lot in sorted(state.lots, key=lambda pair: (pair[1].species_code, pair[1].code)):
        if lot.rejected_at is not None:
            continue
        if decided[lot.code] is Verdict.REJECT:
            lot_actions.reject(session, lot.code, RejectionIn(reason=because), at=at, by=by)
        elif decided[lot.code] is Verdict.HOLD:
            lot_actions.place_hold(session, lot, because, at=at, by=by)
