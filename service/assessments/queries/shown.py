"""An assessment as it stands now: what is stored, computed anew where that is stale."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlmodel import Session, col, select

from service.assessments.models import AssessedFish, Assessment, ExcursionDecision
from service.assessments.queries import stored
from service.assessments.queries.computing import computed
from service.assessments.queries.inputs import Inputs, inputs
from service.assessments.rules.deciding import Decided, Known, known_of, newest
from service.assessments.rules.figures import Air, Fish, Group, unsettled_of
from service.assessments.rules.judging import Choice
from service.assessments.rules.probing import probes
from service.assessments.schemas import (
    AssessmentOut,
    DecidedOut,
    DecisionOut,
    FishOut,
    ProbeOut,
    ProbingOut,
)
from service.catalogue.models import Product
from service.checks import queries as checks
from service.checks.queries import Wanted
from service.decisions import Finding
from service.excursions.models import Excursion
from service.excursions.rules import SETTLED, ExcursionKind, ExcursionState
from service.lots.models import Lot
from service.security.rules import Role
from service.temperatures.queries import instant

MOST_CHECKS = 200


@dataclass(frozen=True)
class Standing:
    """An excursion with its newest figures and what was decided.

    number None: the figures were computed just now and are not stored.
    """

    found: Inputs
    number: int | None
    assessment_id: int | None
    computed_at: datetime
    air: Air
    fish: tuple[tuple[Group, Fish], ...]
    decisions: Sequence[ExcursionDecision]

    @property
    def decided(self) -> dict[str, Decided]:
        """By lot, the decision that counts."""
        return newest(decision.lots for decision in self.decisions)

    def known(self, lot: str) -> Known:
        """What is known of a lot."""
        return known_of(
            lot,
            (
                (fish.worst.peak_core.range[1], fish.commissary_may_release)
                for group, fish in self.fish
                if group.lot == lot
            ),
        )

    @property
    def undecided(self) -> list[str]:
        """The lots with fish on hand that nobody has decided on by what is known now."""
        decided = self.decided
        return sorted(
            {
                group.lot
                for group, _ in self.fish
                if group.on_hand_g > 0
                and (
                    group.lot not in decided
                    or not decided[group.lot].holds(self.known(group.lot).worst_c)
                )
            }
        )


def standing(
    session: Session, excursion: Excursion, *, at: datetime, ready: Standing | None = None
) -> Standing:
    """Gather, and compute where what is stored was computed from something else.

    ready : computed a moment ago, outside of a transaction that writes; used if nothing
    that it was computed from has changed.
    About fifteen queries; computing as `computing.computed`. A settled excursion, and one
    whose readings are not kept any more, stays as it was assessed.
    """
    assert excursion.id is not None
    found = inputs(session, excursion, at=at)
    kept = stored.latest(session, [excursion.id]).get(excursion.id)
    decisions = stored.decisions(session, [excursion.id])
    if kept is not None and (kept.basis == found.basis or _is_final(excursion, found)):
        rows = stored.fish(session, [kept.id or 0])
        return _from_stored(found, kept, rows, decisions)
    if ready is not None and ready.found.basis == found.basis:
        return replace(ready, found=found, fish=_now(found, ready.fish), decisions=decisions)
    new = computed(found)
    return Standing(found, None, None, at, new.air, new.fish, decisions)


def _is_final(excursion: Excursion, found: Inputs) -> bool:
    return excursion.state in SETTLED or not found.readings


def _from_stored(
    found: Inputs,
    kept: Assessment,
    rows: Sequence[AssessedFish],
    decisions: Sequence[ExcursionDecision],
) -> Standing:
    """Stored figures, with what is on hand of each fish now."""
    figures = [(str(row.figures["lot"]), Fish.model_validate(row.figures["fish"])) for row in rows]
    air = Air.model_validate(kept.figures)
    fish = _matched(found, figures)
    return Standing(found, kept.number, kept.id, kept.computed_at, air, fish, decisions)


def _now(found: Inputs, fish: Sequence[tuple[Group, Fish]]) -> tuple[tuple[Group, Fish], ...]:
    """Figures with what is on hand of each fish now."""
    return _matched(found, [(group.lot, figures) for group, figures in fish])


def _matched(found: Inputs, figures: Sequence[tuple[str, Fish]]) -> tuple[tuple[Group, Fish], ...]:
    """Each figures with the fish that they are of: of the lot, there since then, and until
    about then; what was followed for longer since is the same fish."""
    waiting = list(found.groups)
    matched = []
    for lot, each in figures:
        same = [g for g in waiting if g.lot == lot and round(g.from_s) == _second(each.from_at)]
        if same:
            until_s = _second(each.until_at)
            group = min(same, key=lambda g: abs(g.until_s - until_s))
            waiting.remove(group)
            matched.append((group, each))
    return tuple(matched)


def _second(at: datetime) -> int:
    return round(at.timestamp())


def shown(session: Session, it: Standing) -> AssessmentOut:
    """An assessment as it is shown. Three queries."""
    excursion, view = it.found.excursion, it.found.view
    limit_c = view.policy.excursion_core_limit
    products = _products(session, [group.lot_id for group, _ in it.fish])
    views = checks.views(
        session,
        [view.id],
        Wanted(
            place_id=excursion.place_id,
            from_at=it.found.whole.from_at,
            to_at=instant(it.found.until_s + 1),
        ),
        limit=MOST_CHECKS,
        before_id=None,
    )
    return AssessmentOut(
        excursion=excursion.id or 0,
        place=it.found.place.code,
        kind=ExcursionKind(excursion.kind),
        state=ExcursionState(excursion.state),
        from_at=it.found.whole.from_at,
        ended_at=it.found.whole.ended_at,
        number=it.number,
        computed_at=it.computed_at,
        until_at=instant(round(it.found.until_s)),
        limit=view.units.temperature_out(limit_c),
        air=it.air,
        fish=[
            FishOut(
                lot=group.lot,
                species=group.species.code,
                product=products.get(group.lot_id, ""),
                parcels=list(group.parcels),
                was_there=view.units.mass_out(group.there_g),
                on_hand=view.units.mass_out(group.on_hand_g),
                may_release=_may_release(figures),
                figures=figures,
                decided=decided_out(it, group.lot),
            )
            for group, figures in it.fish
        ],
        probe_next=_probing(it, limit_c),
        checks=[checks.check_out(each, view.units) for each in views],
        undecided=it.undecided,
    )


def _may_release(figures: Fish) -> list[Role]:
    if figures.commissary_may_release:
        return [Role.COMMISSARY, Role.MANAGER, Role.VET]
    return [Role.VET]


def _products(session: Session, lot_ids: Sequence[int]) -> dict[int, str]:
    rows = session.exec(
        select(Lot.id, Product.code)
        .join(Product, col(Product.id) == col(Lot.product_id))
        .where(col(Lot.id).in_(set(lot_ids)))
    )
    return {lot_id: code for lot_id, code in rows if lot_id is not None}


CONDEMN_NEXT = "POST /v1/lots/{lot}/condemnation takes it out of the books; until then it is held."


def decision_out(
    decision: ExcursionDecision, it: Standing, breaches: Sequence[Finding] = ()
) -> DecisionOut:
    """A decision as it was signed, and what is open after it."""
    return DecisionOut(
        **decision.model_dump(exclude={"excursion_id", "assessment_id", "lots", "role"}),
        excursion=decision.excursion_id,
        role=Role(decision.role),
        state=ExcursionState(it.found.excursion.state),
        lots={lot: _lot_out(it, lot, decision) for lot in decision.lots},
        undecided=it.undecided,
        breaches=list(breaches),
    )


def decided_out(it: Standing, lot: str) -> DecidedOut | None:
    """The decision on a lot that counts, by whom and when."""
    decided = it.decided.get(lot)
    if decided is None:
        return None
    by = [d for d in it.decisions if d.lots.get(lot) == decided.kept()][-1]
    return _lot_out(it, lot, by)


def _lot_out(it: Standing, lot: str, by: ExcursionDecision) -> DecidedOut:
    decided = Decided.of(by.lots[lot])
    condemned = decided.choice is Choice.CONDEMN
    return DecidedOut(
        decision=decided.choice,
        by=by.by,
        role=Role(by.role),
        signed_at=by.signed_at,
        holds=decided == it.decided.get(lot) and decided.holds(it.known(lot).worst_c),
        hold=decided.hold,
        next=CONDEMN_NEXT.replace("{lot}", lot) if condemned else None,
    )


def _probing(it: Standing, limit_c: float) -> ProbingOut:
    """Which cartons to probe; none of a lot that somebody has decided on."""
    units, place = it.found.view.units, it.found.place.code
    waiting = set(it.undecided)
    groups = []
    for group, figures in it.fish:
        if group.lot in waiting:
            unsettled = unsettled_of(group.lot, place, group.on_hand_g, figures, limit_c)
            if unsettled is not None:
                groups.append(unsettled)
    total = sum(group.grams for group in groups)
    cartons = probes(groups, limit_c)
    settled = round(cartons[-1].settled_g) if cartons else 0
    says = "No carton needs to be probed: a thermometer would settle nothing more."
    if cartons:
        many = "this carton" if len(cartons) == 1 else f"these {len(cartons)} cartons"
        done, of = units.mass_out(settled), units.mass_out(total)
        says = (
            f"After {many} {done.value:g} of {of.value:g} {of.unit} are settled, "
            "as the model expects it."
        )
    return ProbingOut(
        open=units.mass_out(total),
        cartons=[
            ProbeOut(
                lot=probe.lot,
                place=probe.place,
                position=probe.position,
                where=probe.position.words,
                settles=units.mass_out(round(probe.gain_g)),
                settled=units.mass_out(round(probe.settled_g)),
            )
            for probe in cartons
        ],
        says=says,
    )
