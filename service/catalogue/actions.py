"""Setting up suppliers, products and supplement products."""

from datetime import datetime

from sqlmodel import Session, col, select

from service.catalogue import queries
from service.catalogue.models import Product, Species, SupplementProduct, Supplier
from service.catalogue.rules import smallest_piece, species_facts
from service.catalogue.schemas import ProductIn, SupplementProductIn, SupplierIn, strength_of
from service.errors import Conflict
from service.http.bodies import refuse_future
from service.security import audit
from service.security.actor import Actor
from service.site.rules import default_policy


def load_species(session: Session) -> None:
    """Bring the catalogue's species into the database; run at every migration."""
    for facts in species_facts().values():
        session.merge(
            Species(code=facts.code, name=facts.name, scientific_name=facts.scientific_name)
        )


def add_supplier(session: Session, new: SupplierIn, *, at: datetime, by: Actor) -> Supplier:
    """A supplier. Raises Conflict if the code is taken."""
    refuse_future(new.occurred_at, now=at, skew=default_policy().skew)
    if session.exec(select(Supplier.id).where(col(Supplier.code) == new.code)).first() is not None:
        raise Conflict.exists("supplier", new.code)
    supplier = Supplier(code=new.code, name=new.name)
    session.add(supplier)
    session.flush()
    audit.note(session, by, "supplier added", supplier.code, at=at, after=new)
    return supplier


def add_product(session: Session, new: ProductIn, *, at: datetime, by: Actor) -> Product:
    """A product. Raises NotFound for an unknown species or supplier, Conflict for its code."""
    refuse_future(new.occurred_at, now=at, skew=default_policy().skew)
    species = queries.species_by_code(session, new.species, field="species")
    supplier = queries.supplier_by_code(session, new.supplier, field="supplier")
    if session.exec(select(Product.id).where(col(Product.code) == new.code)).first() is not None:
        raise Conflict.exists("product", new.code)
    assert supplier.id is not None
    product = Product(
        code=new.code,
        species_code=species.code,
        supplier_id=supplier.id,
        part=new.part,
        form=new.form,
        size_grade=new.size_grade,
        carton_g=new.carton_mass.grams,
        gtin=new.gtin,
        shape={
            "block": new.block.model_dump() if new.block else None,
            "fish": new.fish.model_dump() if new.fish else None,
        },
    )
    session.add(product)
    session.flush()
    audit.note(session, by, "product added", product.code, at=at, after=product)
    return product


def add_supplement_product(
    session: Session, new: SupplementProductIn, *, at: datetime, by: Actor
) -> SupplementProduct:
    """A supplement product. Raises Invalid for contents that cannot be, Conflict for its code."""
    refuse_future(new.occurred_at, now=at, skew=default_policy().skew)
    contents = strength_of(new.form, new.contents)
    taken = select(SupplementProduct.id).where(col(SupplementProduct.code) == new.code)
    if session.exec(taken).first() is not None:
        raise Conflict.exists("supplement product", new.code)
    product = SupplementProduct(
        code=new.code,
        name=new.name,
        form=new.form,
        divisible=new.divisible,
        contents=contents,
        smallest=smallest_piece(new.form, new.divisible, new.smallest),
        price=new.price,
        currency=new.currency,
    )
    session.add(product)
    session.flush()
    audit.note(session, by, "supplement product added", product.code, at=at, after=product)
    return product
