"""Settings: suppliers and the fish that they sell, and supplement products."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fastapi import Response

from service.catalogue import actions
from service.catalogue import queries as catalogue
from service.catalogue.models import Product, SupplementProduct, Supplier
from service.catalogue.rules import COUNTED_IN, Divisible, DoseForm, Part, nutrients, species_facts
from service.catalogue.rules import Form as Packed
from service.catalogue.schemas import (
    ContentOut,
    ProductIn,
    SupplementProductIn,
    SupplierIn,
    strength_out,
)
from service.http.sessions import Now, WriteSession
from service.pages.forms import Form
from service.pages.page import OnScreen, go_to, page_router
from service.pages.set_up import Paged, PageNumber, paged
from service.pages.words import _
from service.security.guard import MaySetRequirements, MaySetUp
from service.security.rules import Action

router = page_router("/settings")
CONTENTS_ASKED = 6  # lines for what a piece contains

FORMS: tuple[tuple[str, str], ...] = (
    (Packed.BLOCK, _("frozen block")),
    (Packed.IQF, _("single fish, frozen loose")),
    (Packed.SHATTER_PACK, _("layers that come apart")),
)
PARTS: tuple[tuple[str, str], ...] = (
    (Part.WHOLE, _("whole")),
    (Part.FILLET, _("fillet")),
    (Part.ROE, _("roe")),
    (Part.PIECES, _("pieces")),
)
DOSES: tuple[tuple[str, str], ...] = (
    (DoseForm.TABLET, _("tablet")),
    (DoseForm.CAPSULE, _("capsule")),
    (DoseForm.POWDER, _("powder")),
    (DoseForm.LIQUID, _("liquid")),
)
PIECES: tuple[tuple[str, str], ...] = (
    (Divisible.WHOLE, _("whole only")),
    (Divisible.HALF, _("may be halved")),
)


@dataclass(frozen=True)
class ProductShown:
    """A product with the words for what it is."""

    product: Product
    supplier: Supplier
    species: str
    form: str


@dataclass(frozen=True)
class FishShown:
    """What can be bought from whom, and what a new product is asked for."""

    suppliers: Sequence[tuple[str, str]]
    products: Paged[ProductShown]
    species: Sequence[tuple[str, str]]
    forms: Sequence[tuple[str, str]]
    parts: Sequence[tuple[str, str]]


@dataclass(frozen=True)
class SupplementShown:
    """A supplement product and what one piece, gram or millilitre of it contains."""

    product: SupplementProduct
    form: str
    per: str
    contents: Sequence[ContentOut]


@dataclass(frozen=True)
class SupplementsShown:
    """The supplement products in order of preference, and what a new one is asked for."""

    products: Paged[SupplementShown]
    doses: Sequence[tuple[str, str]]
    pieces: Sequence[tuple[str, str]]
    nutrients: Sequence[tuple[str, str]]
    named: Mapping[str, str]
    """What a nutrient is called, by its tag."""
    lines: int
    may_set_up: bool
    """Whether whoever looks may go on to the other settings."""


def species_to_choose() -> list[tuple[str, str]]:
    """The catalogue's species, by name."""
    return sorted(
        ((facts.code, f"{facts.name} ({facts.code})") for facts in species_facts().values()),
        key=lambda pair: pair[1],
    )


@router.get("/fish")
def fish(screen: OnScreen, by: MaySetUp, page: PageNumber = 1) -> Response:
    """Suppliers and products."""
    part = paged(catalogue.products(screen.session), page)
    names = dict(species_to_choose())
    rows = [
        ProductShown(product, supplier, names[product.species_code], dict(FORMS)[product.form])
        for product, supplier in part.rows
    ]
    shown = FishShown(
        suppliers=[(s.code, s.name) for s in catalogue.suppliers(screen.session)],
        products=Paged(rows, part.before, part.after),
        species=species_to_choose(),
        forms=FORMS,
        parts=PARTS,
    )
    return screen.show("settings_fish.html", shown)


@router.post("/suppliers")
def add_supplier(
    form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp
) -> Response:
    """Who sells fish to us."""
    supplier = actions.add_supplier(session, form.read(SupplierIn, screen.view.zone), at=at, by=by)
    said = screen.write.say("%(name)s is set up.", name=supplier.name)
    return go_to("/settings/fish", said=said)


@router.post("/products")
def add_product(
    form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp
) -> Response:
    """What a supplier sells."""
    product = actions.add_product(session, form.read(ProductIn, screen.view.zone), at=at, by=by)
    said = screen.write.say("%(name)s is set up.", name=product.code)
    return go_to("/settings/fish", said=said)


@router.get("/supplement-products")
def supplement_products(screen: OnScreen, by: MaySetRequirements, page: PageNumber = 1) -> Response:
    """The supplement products in the house."""
    part = paged(catalogue.supplement_products(screen.session), page)
    rows = [
        SupplementShown(
            product=product,
            form=dict(DOSES)[product.form],
            per=COUNTED_IN[DoseForm(product.form)],
            contents=strength_out(product.contents),
        )
        for product in part.rows
    ]
    shown = SupplementsShown(
        products=Paged(rows, part.before, part.after),
        doses=DOSES,
        pieces=PIECES,
        named={tag: known.name for tag, known in nutrients().items()},
        nutrients=sorted(
            ((tag, f"{known.name}, {known.amount_unit}") for tag, known in nutrients().items()),
            key=lambda pair: pair[1],
        ),
        lines=CONTENTS_ASKED,
        may_set_up=screen.may(Action.SET_UP),
    )
    return screen.show("settings_supplement_products.html", shown)


@router.post("/supplement-products")
def add_supplement_product(
    form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MaySetRequirements
) -> Response:
    """A tablet, capsule, powder or liquid, and what it contains."""
    new = form.read(SupplementProductIn, screen.view.zone)
    product = actions.add_supplement_product(session, new, at=at, by=by)
    said = screen.write.say("%(name)s is set up.", name=product.name)
    return go_to("/settings/supplement-products", said=said)
