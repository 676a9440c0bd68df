"""What can be bought: species, suppliers, products, supplement products."""

from typing import Any

from sqlalchemy import JSON, CheckConstraint, Column
from sqlmodel import Field, SQLModel

import service.database  # noqa: F401 - names the constraints of every table


class Species(SQLModel, table=True):
    """A kind of feed fish. Its row is also the lock on all stock of it."""

    code: str = Field(primary_key=True)
    name: str
    scientific_name: str


class Supplier(SQLModel, table=True):
    """Who sells fish to us."""

    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(unique=True)
    name: str


class Product(SQLModel, table=True):
    """What a supplier sells: species, part, form, carton, size grade."""

    __table_args__ = (CheckConstraint("carton_g > 0", name="carton_more_than_nothing"),)

    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(unique=True)
    species_code: str = Field(foreign_key="species.code", index=True)
    supplier_id: int = Field(foreign_key="supplier.id", index=True)
    part: str
    form: str
    size_grade: str | None = None
    carton_g: int
    gtin: str | None = None
    shape: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))


class SupplementProduct(SQLModel, table=True):
    """A tablet, capsule, powder or liquid and what a piece, gram or millilitre of it contains."""

    __tablename__ = "supplement_product"

    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(unique=True)
    name: str
    form: str
    divisible: str
    contents: dict[str, float] = Field(sa_column=Column(JSON, nullable=False))
    smallest: float | None = None
    price: float | None = None
    currency: str | None = None
