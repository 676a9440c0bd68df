"""Which requirements apply to an animal on a day."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache

from service.catalogue.rules import Basis, in_service_unit
from service.figures import Row, table
from service.supplements.rules import LimitOn, Mode, Per, Scope

SCOPES = list(Scope)

Kind = tuple[str, Mode, Per]
"""Requirements of one nutrient, mode and per replace each other; others stand beside them."""


@dataclass(frozen=True)
class Wanted:
    """A requirement in the nutrient's own unit, without what it is per.

    species: of this fish only. but_for: fish that another requirement speaks of.
    """

    nutrient: str
    amount: float
    basis: Basis
    mode: Mode
    per: Per
    scope: Scope
    source: str
    cap_per_day: float | None = None
    limit: float | None = None
    limit_on: LimitOn = LimitOn.TOTAL
    number: int = 0
    species: str | None = None
    but_for: frozenset[str] = frozenset()

    @property
    def kind(self) -> Kind:
        """What it replaces and is replaced by."""
        return self.nutrient, self.mode, self.per

    @property
    def only_limits(self) -> bool:
        """Whether it sets a limit and asks for nothing."""
        return self.amount == 0 and self.limit is not None

    def speaks_of(self, species: str) -> bool:
        """Whether it counts a fish."""
        if self.species is not None:
            return species == self.species
        return species not in self.but_for


class EqualRank(ValueError):
    """Two requirements of one nutrient, mode, per and fish for the same animals."""

    def __init__(self, one: Wanted, other: Wanted) -> None:
        self.one, self.other = one, other
        second = f"requirement {other.number}" if other.number else "the new one"
        super().__init__(
            f"requirement {one.number} and {second} of {one.nutrient} are of equal rank: "
            f"{one.amount:g} and {other.amount:g}, both {one.mode}, per {one.per}, "
            f"for the same {one.scope}"
        )


def catalogue_wanted(group: str) -> list[Wanted]:
    """The catalogue's requirements for a group of animals; a group's own row beats `all`."""
    return list(_catalogue_wanted(group))


@cache
def _catalogue_wanted(group: str) -> tuple[Wanted, ...]:
    rows = [r for r in table("supplement_targets") if r["service_default"] == "yes"]
    own = [r for r in rows if r["group"] == group]
    covered = {(r["tag"], r["mode"], r["per"]) for r in own}
    general = [
        r for r in rows if r["group"] == "all" and (r["tag"], r["mode"], r["per"]) not in covered
    ]
    return tuple(_of_catalogue(row) for row in own + general)


def _of_catalogue(row: Row) -> Wanted:
    return Wanted(
        nutrient=row["tag"],
        basis=Basis(row["basis"]),
        mode=Mode(row["mode"]),
        per=Per(row["per"]),
        amount=in_service_unit(row["tag"], float(row["amount_default"]), row["unit"]),
        scope=Scope.CATALOGUE,
        source=f"{row['source']} [{row['flag']}]",
    )


def in_force(set_here: Sequence[Wanted], group: str) -> list[Wanted]:
    """What applies to one animal: for each fish the narrowest scope of each nutrient, mode, per.

    Of one scope what names the fish is narrower. Any requirement that a site has set for a
    nutrient removes the catalogue's rows of that nutrient; one that names a fish only those of
    its own kind, for that fish. What sets a limit and asks for nothing replaces nothing. The
    order in which requirements are given does not matter.

    Raises EqualRank for two that nothing decides between.
    """
    asking = [each for each in set_here if not each.only_limits]
    limiting = [each for each in set_here if each.only_limits]
    chosen = [each for same in _by_kind(asking).values() for each in _narrowest(same)]
    limits = [each for same in _by_kind(limiting).values() for each in _narrowest(same)]
    general = {each.nutrient for each in chosen if each.species is None}
    named: dict[Kind, set[str]] = {}
    for each in chosen:
        if each.species is not None:
            named.setdefault(each.kind, set()).add(each.species)
    kept = [
        replace(each, but_for=frozenset(named.get(each.kind, ())))
        for each in catalogue_wanted(group)
        if each.nutrient not in general
    ]
    return sorted([*chosen, *limits, *kept], key=lambda w: (*w.kind, w.species or "", w.number))


def set_aside(reaching: Sequence[Wanted], group: str, chosen: Sequence[Wanted]) -> list[Wanted]:
    """What gave way to something narrower: of what the site has set, and of the catalogue's.

    reaching: all that the site has set and the animal is in the scope of. chosen: what applies.
    """
    numbers = {each.number for each in chosen if each.number}
    kept = {(*each.kind, each.amount) for each in chosen if not each.number}
    return [
        *(each for each in reaching if each.number not in numbers),
        *(each for each in catalogue_wanted(group) if (*each.kind, each.amount) not in kept),
    ]


def _by_kind(wanted: Iterable[Wanted]) -> Mapping[Kind, list[Wanted]]:
    found: dict[Kind, list[Wanted]] = {}
    for each in wanted:
        found.setdefault(each.kind, []).append(each)
    return found


def _narrowest(same: Collection[Wanted]) -> list[Wanted]:
    """Of one kind: the narrowest for each fish that is named, and for all others."""
    best: dict[str | None, Wanted] = {}
    for each in same:
        other = best.get(each.species)
        if other is not None and other.scope is each.scope:
            raise EqualRank(*sorted((other, each), key=lambda w: (not w.number, w.number)))
        if other is None or SCOPES.index(each.scope) > SCOPES.index(other.scope):
            best[each.species] = each
    general = best.pop(None, None)
    if general is None:
        return list(best.values())
    narrower = [w for w in best.values() if SCOPES.index(w.scope) >= SCOPES.index(general.scope)]
    return [*narrower, replace(general, but_for=frozenset(w.species or "" for w in narrower))]
