"""Upper limits that were published: one binds, most only warn because they are of other animals."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache

from service.catalogue.rules import Basis, in_service_unit, nutrients
from service.decisions import Finding
from service.figures import Row, number, table
from service.site.rules import finding
from service.supplements.rules import Mode, Per, Scope
from service.supplements.rules.requirements import Wanted

# The species that a published limit is of; all others are held against it by analogy.
_TRUE_OF = {"northern fur seal": "callorhinus ursinus"}
_PERCENT_IN_G_PER_KG = 10.0


@dataclass(frozen=True)
class Published:
    """An upper limit per animal and day, or per kg of dry matter, in the nutrient's unit."""

    nutrient: str
    amount: float
    per_kg_dry_matter: bool
    of: str
    kind: str
    source: str
    flag: str


def binding_limit(nutrient: str, taxon: str) -> Published | None:
    """The published limit that holds for this very species, if there is one.

    >>> binding_limit("VITA", "Callorhinus ursinus").amount
    6111.0
    >>> binding_limit("VITA", "Zalophus californianus") is None
    True
    """
    own = [
        p
        for p in _published()
        if p.nutrient == nutrient
        and not p.per_kg_dry_matter
        and _TRUE_OF.get(p.of, "") == taxon.strip().lower()
    ]
    return min(own, key=lambda p: p.amount, default=None)


def with_published(wanted: Sequence[Wanted], taxon: str) -> list[Wanted]:
    """Requirements, and the published limits of this very species for nutrients without one."""
    limited = {w.nutrient for w in wanted if w.limit is not None}
    own = [
        Wanted(
            nutrient=p.nutrient,
            amount=0.0,
            basis=Basis.AS_FED,
            mode=Mode.ADDED,
            per=Per.ANIMAL_DAY,
            scope=Scope.CATALOGUE,
            source=f"{p.source} [{p.flag}]",
            limit=p.amount,
        )
        for nutrient in sorted({p.nutrient for p in _published()} - limited)
        if (p := binding_limit(nutrient, taxon)) is not None
    ]
    return [*wanted, *own]


def above_published(
    nutrient: str, most: float, dry_matter_g: float, *, group: str
) -> Iterator[Finding]:
    """A warning for the lowest published figure that a day's total may pass.

    most: the high bound of fish and supplements together, in the nutrient's unit.
    """
    lowest = lowest_published(nutrient, dry_matter_g, group=group)
    if lowest is None or lowest[0] >= most:
        return
    limit, published = lowest
    unit = nutrients()[nutrient].amount_unit
    yield finding(
        "above-published",
        "warn",
        f"{most:.6g} {unit} of {nutrient} a day may be more than {limit:.6g} {unit}, the "
        f"{published.kind.replace('_', ' ')} for {published.of}",
        numbers={"most": round(most, 3), "published": round(limit, 3)},
        source=f"{published.source} [{published.flag}]",
    )


def lowest_published(
    nutrient: str, dry_matter_g: float, *, group: str
) -> tuple[float, Published] | None:
    """The lowest published figure per kg of dry matter, as an amount of a day, and whose it is."""
    found = [
        (limit, p)
        for p in _published()
        if p.nutrient == nutrient and p.per_kg_dry_matter and _about(p, group)
        for limit in [p.amount * dry_matter_g / 1000]
        if limit > 0
    ]
    return min(found, key=lambda each: each[0], default=None)


def _about(published: Published, group: str) -> bool:
    """Figures of penguins are of penguins; of dogs and cats, of everybody for want of better."""
    return published.of != "penguins" or group == "penguin"


@cache
def _published() -> tuple[Published, ...]:
    found = (_row(row) for row in table("nutrient_limits"))
    return tuple(each for each in found if each is not None)


def _row(row: Row) -> Published | None:
    """None where it is no figure, or one that cannot be worked out from a day's food."""
    upper, unit = number(row["upper_high"]), row["unit"]
    per_dry_matter = row["basis"] == "dry_matter" and row["per"] == "kg_food"
    if upper is None or not (per_dry_matter or row["per"] == "animal_day"):
        return None
    if row["severity_suggested"] not in ("warn", "block") or unit == "times requirement":
        return None
    amount = (
        upper * _PERCENT_IN_G_PER_KG if unit == "%" else in_service_unit(row["tag"], upper, unit)
    )
    return Published(
        row["tag"],
        amount,
        per_dry_matter,
        row["taxon_group"],
        row["kind"],
        row["source"],
        row["flag"],
    )
