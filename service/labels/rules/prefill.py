"""What a label tells POST /v1/deliveries, what it does not, and whether our product agrees."""

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import date

from service.labels.rules.carton import Printed, Said
from service.quantities import Mass

# Kilograms printed for pounds packed are rounded: up to a hundredth apart is the same
# mass. Our own figure.
SAME_MASS = 0.01
MOST_CARTONS = 1_000_000


@dataclass(frozen=True)
class ProductFacts:
    """Our product with the label's GTIN."""

    code: str
    species: str
    carton_g: int


@dataclass(frozen=True)
class Line:
    """What a label fills in of one line of a delivery. The place is the person's to say."""

    product: str | None = None
    supplier_lot: str | None = None
    caught_from: date | None = None
    caught_to: date | None = None
    frozen_on: date | None = None
    best_before: date | None = None
    cartons: int | None = None
    mass: Mass | None = None


def against_product(printed: Printed, product: ProductFacts) -> Iterator[Said]:
    """Where a label and our product with its GTIN differ.

    A GTIN that begins with 9 is of cartons of varying mass: theirs may differ.
    """
    if printed.species is not None and printed.species != product.species:
        yield Said(
            "species",
            f"the label says {printed.species}, our product {product.code} is {product.species}",
        )
    varies = printed.gtin is not None and printed.gtin.startswith("9")
    if printed.mass is None or varies:
        return
    count = printed.count or 1
    if not (_same(printed.mass, product.carton_g) or _same(printed.mass, count * product.carton_g)):
        of = f"{count} cartons" if printed.count else "a carton"
        yield Said(
            "mass",
            f"the label says {printed.mass.value} {printed.mass.unit}, {of} of our product "
            f"{product.code} {'have' if printed.count else 'has'} "
            f"{count * product.carton_g / 1000:g} kg",
        )


def _same(mass: Mass, grams: int) -> bool:
    return abs(mass.grams - grams) <= SAME_MASS * grams


def line_of(printed: Printed, product: ProductFacts | None, doubtful: Collection[str]) -> Line:
    """The line of a delivery; a field that something on the label contradicts stays empty."""
    caught_from, caught_to = printed.harvested_from, printed.harvested_to
    if {"harvested_from", "harvested_to"} & set(doubtful):
        caught_from = caught_to = None
    best = "best_before" if printed.best_before is not None else "use_by"
    count = printed.count if "count" not in doubtful else None
    return Line(
        product=product.code if product and not {"gtin", "species"} & set(doubtful) else None,
        supplier_lot=printed.supplier_lot,
        caught_from=caught_from,
        caught_to=caught_to,
        frozen_on=None if "frozen_on" in doubtful else printed.frozen_on,
        best_before=None if best in doubtful else getattr(printed, best),
        cartons=count if count and count <= MOST_CARTONS else None,
        mass=None if "mass" in doubtful else _delivered(printed, product),
    )


def _delivered(printed: Printed, product: ProductFacts | None) -> Mass | None:
    """The mass of all cartons, where the label of a pallet says it without doubt."""
    mass, count = printed.mass, printed.count
    if mass is None or not count or product is None or mass.grams == 0:
        return None
    return mass if _same(mass, count * product.carton_g) else None


def missing_for_receiving(printed: Printed, product: ProductFacts | None) -> Iterator[Said]:
    """What POST /v1/deliveries needs and the label does not say."""
    if printed.gtin is None:
        yield Said("product", "no article number (01 or 02): choose the product")
    elif product is None:
        yield Said("product", f"no product is set up with GTIN {printed.gtin}: choose it")
    if printed.harvested_from is None:
        yield Said(
            "caught_from", "no harvest date (7007): without a catch date the lot is received held"
        )
    if printed.supplier_lot is None:
        yield Said("supplier_lot", "no lot (10): take it from the papers")
    if printed.frozen_on is None:
        yield Said("frozen_on", "no first freeze date (7006)")
    if not printed.count:
        yield Said("cartons", "no count (37): this is the label of one carton; count them")
