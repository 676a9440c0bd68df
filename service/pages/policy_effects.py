"""What another figure would change now: the same rules, asked twice about what is in the house.

Only what can be worked out is answered: which fish is past a limit, which clocks end earlier,
which places are too warm, what is due. For a figure that only counts when something happens
(a delivery, a put-back) there is nothing in the house to try it on.
"""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cached_property

from sqlmodel import Session

from service.chores import queries as chores
from service.chores.rules import ChoreState
from service.ledger import queries as ledger
from service.lots import queries as lots
from service.lots.rules import age_findings
from service.pages.words import Writer, _
from service.probes import queries as probes
from service.probes.rules import ProbeKind
from service.quality.queries.life_left import LifeLeft, life_left
from service.quality.rules.exposure import life_findings
from service.security.actor import Actor
from service.site import queries as sites
from service.site.models import Place
from service.site.queries import SiteView
from service.site.rules import PlaceKind, Policy, place_limit_c
from service.thawing import queries as thawing
from service.thawing.queries import BatchView
from service.thawing.rules.clocks import warning_due
from service.upkeep import queries as upkeep
from service.upkeep.actions.due import concerns_now
from service.upkeep.queries import Known
from service.upkeep.rules import ConcernKind

MOST_NAMED = 12


@dataclass(frozen=True)
class Effect:
    """How many things a figure concerns: as it is, as it would be, and which those are.

    now is None where only the difference says something.
    """

    what: str
    now: int | None
    then: int
    changed: Sequence[str]
    more: int

    @property
    def is_none(self) -> bool:
        """Whether the change would make no difference."""
        return not self.changed


@dataclass(frozen=True)
class House:
    """What is in the house now, read when a figure asks for it."""

    session: Session
    view: SiteView
    by: Actor
    at: datetime
    write: Writer

    def batches(self, policy: Policy) -> list[BatchView]:
        """Thaw batches that still hold fish. Some eight queries."""
        found = ledger.batches(self.session, [self.view.id], open_only=True, limit=None, after_id=0)
        return thawing.batch_views(self.session, found, policy, at=self.at)

    @cached_property
    def life(self) -> LifeLeft:
        """Storage life used of every parcel. Some ten queries."""
        return life_left(self.session, views={self.view.id: self.view}, now=self.at)

    @cached_property
    def probes(self) -> list[Known]:
        """The site's thermometers with all that is known of them. Nine queries."""
        found = probes.probes(self.session, by=self.by)
        return upkeep.known(self.session, [f for f in found if f[1].site_id == self.view.id])

    @cached_property
    def places(self) -> Sequence[Place]:
        """The site's places. One query."""
        return sites.places_of(self.session, self.view.id)


Concerned = Mapping[str, int]
"""What a figure concerns, by name, and how many that is."""
Judge = Callable[[House, Policy], Concerned]


def effects_of(house: House, then: Policy, figure: str) -> list[Effect] | None:
    """What another policy changes by one of its figures; None where nothing can be worked out."""
    if figure in CLOCKS:
        return [_clocks(house, then)]
    judged = JUDGES.get(figure)
    if judged is None:
        return None
    return [
        _compared(what, judge(house, house.view.policy), judge(house, then))
        for what, judge in judged
    ]


def _compared(what: str, now: Concerned, then: Concerned) -> Effect:
    changed = sorted(name for name in {*now, *then} if now.get(name) != then.get(name))
    return _effect(what, sum(now.values()), sum(then.values()), changed)


def _effect(what: str, now: int | None, then: int, changed: Sequence[str]) -> Effect:
    return Effect(what, now, then, changed[:MOST_NAMED], max(0, len(changed) - MOST_NAMED))


def _clocks(house: House, then: Policy) -> Effect:
    """Thaw batches whose clock would end at another time."""
    policy, write = house.view.policy, house.write
    before = {view.batch.code: view.discard_after(policy) for view in house.batches(policy)}
    after = {view.batch.code: view.discard_after(then) for view in house.batches(then)}
    moved = [
        f"{code}: {write.when(before[code])} → {write.when(after[code])}"
        for code in sorted(before, key=lambda code: before[code])
        if before[code] != after[code]
    ]
    return _effect(_("Thaw batches whose discard after moves"), None, len(moved), moved)


def _past_age(house: House, policy: Policy) -> Concerned:
    held = ledger.on_hand(house.session, house.view.id)
    found = lots.lots_by_id(house.session, sorted(held))
    on = house.view.day_of(house.at)
    return {
        facts.code: held[lot_id][0]
        for lot_id, facts in lots.facts(house.session, list(found.values())).items()
        if any(f.outcome == "block" for f in age_findings(facts, policy, on))
    }


def _life_at(outcomes: frozenset[str]) -> Judge:
    def judged(house: House, policy: Policy) -> Concerned:
        life = house.life
        lot_ids = life.stock.line.lot_id[life.stock.on_hand]
        return Counter(
            str(life.lots[int(lot_id)].code)
            for lot_id, used in zip(lot_ids, life.used, strict=True)
            if any(f.outcome in outcomes for f in life_findings(float(used), policy))
        )

    return judged


def _told_of(house: House, policy: Policy) -> Concerned:
    """Thaw batches of whose clocks people are told now."""
    return {
        view.batch.code: 1
        for view in house.batches(policy)
        if warning_due(view.discard_after(policy), policy, house.at) is not None
    }


def _too_warm(house: House, policy: Policy) -> Concerned:
    """Places whose warmest thermometer in the air last read more than their limit."""
    found: dict[str, int] = {}
    for known in house.probes:
        place = None if known.taken_down else known.places[known.stays[-1].place_id or 0]
        if place is None or known.last is None or known.faulty_since is not None:
            continue
        limit_c = place_limit_c(PlaceKind(place.kind), policy, house.view.units.temperature)
        if known.kind is ProbeKind.AIR and limit_c is not None and known.last[1] > limit_c:
            found[place.code] = 1
    return found


def _probes_with(*kinds: ConcernKind) -> Judge:
    def judged(house: House, policy: Policy) -> Concerned:
        return {
            known.probe.code: 1
            for known in house.probes
            if any(c.kind in kinds for c in concerns_now(known, policy, at=house.at))
        }

    return judged


def _chores(house: House, policy: Policy) -> Concerned:
    view = replace(house.view, policy=policy)
    late = (ChoreState.DUE, ChoreState.OVERDUE)
    found = chores.of_site(house.session, view, house.places, house.at)
    return {standing.words: 1 for standing in found if standing.due.state in late}


_AGE = ((_("Parcels past their age limit"), _past_age),)
_LIFE = (
    (_("Parcels to be inspected before use"), _life_at(frozenset({"warn"}))),
    (_("Parcels that may not be used"), _life_at(frozenset({"block"}))),
)
_WARM = ((_("Places warmer than their limit at the last reading"), _too_warm),)
_TOLD = ((_("Thaw batches of whose clocks people are told"), _told_of),)
_CHORES = ((_("Chores that are due"), _chores),)
_CALIBRATION = (
    (
        _("Probes that are to be calibrated"),
        _probes_with(ConcernKind.CALIBRATION_OVERDUE, ConcernKind.NEVER_CALIBRATED),
    ),
    (_("Probes to be calibrated within a month"), _probes_with(ConcernKind.CALIBRATION_SOON)),
)
_SILENT = ((_("Probes that count as silent"), _probes_with(ConcernKind.SILENT)),)

JUDGES: Mapping[str, tuple[tuple[str, Judge], ...]] = {
    **dict.fromkeys(
        ("age_limit_fatty_months", "age_limit_medium_months", "age_limit_lean_months"), _AGE
    ),
    **dict.fromkeys(("life_used_warn", "life_used_block", "life_used_blocks"), _LIFE),
    **dict.fromkeys(("freezer_legal_max", "refrigerator_max", "thaw_air_max"), _WARM),
    **dict.fromkeys(("thaw_warning_h", "thaw_last_warning_h"), _TOLD),
    **dict.fromkeys(
        ("kitchen_clean", "kitchen_sanitise", "freezer_clean", "thaw_gear_clean"), _CHORES
    ),
    **dict.fromkeys(("container_check_h", "chore_grace_h"), _CHORES),
    "probe_calibration": _CALIBRATION,
    "gap_minutes": _SILENT,
}
CLOCKS = frozenset(
    {
        "clock_freezer_out_h",
        "clock_thawed_refrigerated_h",
        "thaw_hours_block_refrigerator",
        "thaw_hours_iqf_refrigerator",
        "thaw_hours_shatter_pack_refrigerator",
    }
)
"""Figures that move the end of a clock that runs."""
