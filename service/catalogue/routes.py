"""Species, suppliers, products, supplement products."""

from fastapi import APIRouter

from service.catalogue import actions, queries
from service.catalogue.models import Product, SupplementProduct
from service.catalogue.rules import (
    COUNTED_IN,
    Divisible,
    DoseForm,
    Form,
    Part,
    smallest_piece,
    species_facts,
)
from service.catalogue.schemas import (
    Block,
    Fish,
    ProductIn,
    ProductOut,
    SpeciesOut,
    SupplementProductIn,
    SupplementProductOut,
    SupplierIn,
    SupplierOut,
    strength_out,
)
from service.http.bodies import Page
from service.http.sessions import Now, ReadSession, WriteSession
from service.quantities import Units
from service.security.guard import MayLook, MaySetRequirements, MaySetUp, guarded_router

species: APIRouter = guarded_router("/species", "catalogue")
suppliers: APIRouter = guarded_router("/suppliers", "catalogue")
products: APIRouter = guarded_router("/products", "catalogue")
supplement_products: APIRouter = guarded_router("/supplement-products", "catalogue")
routers = (species, suppliers, products, supplement_products)


@species.get("")
def list_species(by: MayLook) -> Page[SpeciesOut]:
    """The feed fish of the catalogue, with what is known of each and from where."""
    return Page(items=[SpeciesOut.model_validate(s) for s in species_facts().values()])


@suppliers.get("")
def list_suppliers(session: ReadSession, by: MayLook) -> Page[SupplierOut]:
    """All suppliers."""
    return Page(items=[SupplierOut.model_validate(s) for s in queries.suppliers(session)])


@suppliers.post("", status_code=201)
def add_supplier(new: SupplierIn, session: WriteSession, at: Now, by: MaySetUp) -> SupplierOut:
    """Who sells fish to us."""
    return SupplierOut.model_validate(actions.add_supplier(session, new, at=at, by=by))


@products.get("")
def list_products(session: ReadSession, by: MayLook) -> Page[ProductOut]:
    """All products."""
    return Page(items=[_product_out(p, s.code) for p, s in queries.products(session)])


@products.post("", status_code=201)
def add_product(new: ProductIn, session: WriteSession, at: Now, by: MaySetUp) -> ProductOut:
    """What a supplier sells."""
    return _product_out(actions.add_product(session, new, at=at, by=by), new.supplier)


def _product_out(product: Product, supplier: str) -> ProductOut:
    block, fish = product.shape.get("block"), product.shape.get("fish")
    return ProductOut(
        code=product.code,
        species=product.species_code,
        supplier=supplier,
        form=Form(product.form),
        part=Part(product.part),
        size_grade=product.size_grade,
        carton_mass=Units().mass_out(product.carton_g),
        gtin=product.gtin,
        block=Block(**block) if block else None,
        fish=Fish(**fish) if fish else None,
    )


@supplement_products.get("")
def list_supplement_products(session: ReadSession, by: MayLook) -> Page[SupplementProductOut]:
    """All supplement products, in order of preference."""
    return Page(items=[_supplement_out(p) for p in queries.supplement_products(session)])


@supplement_products.post("", status_code=201)
def add_supplement_product(
    new: SupplementProductIn, session: WriteSession, at: Now, by: MaySetRequirements
) -> SupplementProductOut:
    """A tablet, capsule, powder or liquid and what it contains."""
    return _supplement_out(actions.add_supplement_product(session, new, at=at, by=by))


def _supplement_out(product: SupplementProduct) -> SupplementProductOut:
    return SupplementProductOut(
        code=product.code,
        name=product.name,
        form=DoseForm(product.form),
        divisible=Divisible(product.divisible),
        smallest=smallest_piece(product.form, product.divisible, product.smallest),
        counted_in=COUNTED_IN[DoseForm(product.form)],
        contents=strength_out(product.contents),
        price=product.price,
        currency=product.currency,
    )
