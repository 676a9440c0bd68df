"""Which lots a recall is about, and where every gram of a lot is."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from service.ledger.rules import Account, MovementKind
from service.lots.rules import plain_supplier_lot, supplier_lot_readings


class Match(StrEnum):
    """Why a lot is in a recall."""

    EXACT = "exact"
    LOOK_ALIKE = "look_alike"
    MAY_BE_OF = "may_be_of"
    """Its label could not be read, and it may be of a lot that matches exactly."""


def matches(asked: str, written: Iterable[str]) -> list[Match | None]:
    """How supplier lot codes fit the one that is asked for.

    What looks like an exact match is a look-alike too: so it makes no difference
    which separators are asked with.

    >>> [match and match.value for match in matches("A-77", ["a77", "A 077", "A78"])]
    ['exact', 'look_alike', None]
    """
    codes = list(written)
    exact = [plain_supplier_lot(code) == plain_supplier_lot(asked) for code in codes]
    same = [asked, *(code for code, is_it in zip(codes, exact, strict=True) if is_it)]
    readings = frozenset[str]().union(*map(supplier_lot_readings, same))
    return [
        Match.EXACT if is_it else _look_alike(readings, code)
        for code, is_it in zip(codes, exact, strict=True)
    ]


def _look_alike(readings: frozenset[str], code: str) -> Match | None:
    return Match.LOOK_ALIKE if readings & supplier_lot_readings(code) else None


@dataclass(frozen=True)
class Flow:
    """Grams of a lot that events of one kind carried from one end to another, in all.

    kind: of the event; of what was taken back, if it took something back.
    """

    lot_id: int
    kind: str
    taken_back: bool
    from_account: str | None
    to_account: str | None
    from_place_id: int | None
    to_place_id: int | None
    grams: int


@dataclass(frozen=True)
class Whereabouts:
    """Where the grams of a lot are that came into the house. Nothing is left over.

    missing: what counts did not find; below 0 what they found beyond the books.
    """

    received: int = 0
    on_hand: int = 0
    eaten: int = 0
    left: int = 0
    discarded: int = 0
    condemned: int = 0
    returned: int = 0
    lost: int = 0
    sampled: int = 0
    drip: int = 0
    public: int = 0
    missing: int = 0

    @property
    def unaccounted(self) -> int:
        """Received less everything else: always 0, and shown so that anybody may see it."""
        rest = (
            *(self.on_hand, self.eaten, self.left, self.discarded, self.condemned),
            *(self.returned, self.lost, self.sampled, self.drip, self.public, self.missing),
        )
        return self.received - sum(rest)


_CAME = (MovementKind.RECEIVED, MovementKind.FOUND)
_FIELD_OF_ACCOUNT = {
    Account.EATEN: "eaten",
    Account.LEFT: "left",
    Account.LOST: "lost",
    Account.DISCARDED: "discarded",
    Account.SAMPLED: "sampled",
    Account.DRIP: "drip",
    Account.COUNT_DIFFERENCE: "missing",
    Account.PUBLIC: "public",
    Account.SUPPLIER: "returned",
}


def whereabouts(flows: Iterable[Flow], on_hand: int) -> Whereabouts:
    """Where a lot's grams are, from what the books carried and what is on hand.

    Taken back events cancel out. Fish that came has left the house again only by
    an account; which one, and condemned apart from discarded, is told.
    """
    totals: dict[str, int] = {"on_hand": on_hand}
    for flow in flows:
        for account, grams in ((flow.to_account, flow.grams), (flow.from_account, -flow.grams)):
            if account is None:
                continue
            if flow.kind in _CAME:
                totals["received"] = totals.get("received", 0) - grams
                continue
            condemned = flow.kind == MovementKind.CONDEMNED
            field = "condemned" if condemned else _FIELD_OF_ACCOUNT[Account(account)]
            totals[field] = totals.get(field, 0) + grams
    return Whereabouts(**totals)


@dataclass(frozen=True)
class Moved:
    """Grams that went from one place to another, less what was taken back."""

    kind: str
    from_place_id: int
    to_place_id: int
    grams: int


def moves(flows: Iterable[Flow]) -> list[Moved]:
    """What moved between places, in the order of first use."""
    totals: dict[tuple[str, int, int], int] = {}
    for flow in flows:
        if flow.from_place_id is None or flow.to_place_id is None:
            continue
        ends = (flow.from_place_id, flow.to_place_id)
        origin, target = ends[::-1] if flow.taken_back else ends
        key = (flow.kind, origin, target)
        totals[key] = totals.get(key, 0) + (-flow.grams if flow.taken_back else flow.grams)
    return [Moved(*key, grams) for key, grams in totals.items() if grams]


def says_elsewhere(sites: int) -> str | None:
    """What somebody is told of sites that they have no access to; None: there are none."""
    if sites == 0:
        return None
    what = "1 more site is" if sites == 1 else f"{sites} more sites are"
    return f"{what} concerned that you have no access to: tell somebody who has, now"
