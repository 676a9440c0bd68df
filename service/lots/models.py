"""Lots and holds."""

from datetime import date

from sqlalchemy import CheckConstraint, Index, false
from sqlmodel import Field, SQLModel

from service.database import Instant


class Lot(SQLModel, table=True):
    """Fish of one product, supplier lot code and catch date from one delivery."""

    __table_args__ = (
        Index("ix_lot_species_code_caught_from", "species_code", "age_from", "code"),
        CheckConstraint("grams > 0", name="lot_more_than_nothing"),
    )

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id", index=True)
    code: str = Field(unique=True)
    product_id: int = Field(foreign_key="product.id")
    species_code: str = Field(foreign_key="species.code")
    part: str
    size_grade: str | None = None
    form: str
    supplier_lot: str | None = None
    supplier_lot_key: str | None = Field(default=None, index=True)  # by `rules.supplier_lot_key`
    delivery_id: int = Field(foreign_key="delivery.id", index=True)
    received_as: str
    doubtful: bool = Field(
        default=False, sa_column_kwargs={"server_default": false()}
    )  # a carton that may be of several lots
    age_basis: str = Field(
        default="caught", sa_column_kwargs={"server_default": "caught"}
    )  # what its days were said to be
    caught_from: date | None = None
    caught_to: date | None = None
    frozen_on: date | None = None
    age_from: date | None = None
    best_before: date | None = None
    received_on: date
    arrived_at: Instant
    grams: int
    cartons: int | None = None
    rejected_at: Instant | None = None
    rejected_by: str | None = None
    rejected_because: str | None = None


class LotCorrection(SQLModel, table=True):
    """What was written of a lot was wrong: the old, the new, and what proves it."""

    __tablename__ = "lot_correction"

    id: int | None = Field(default=None, primary_key=True)
    lot_id: int = Field(foreign_key="lot.id", index=True)
    field: str
    before: str | None = None
    after: str | None = None
    reason: str
    evidence: str
    photo: str | None = None
    corrected_at: Instant
    recorded_at: Instant
    by: str


class LotCandidate(SQLModel, table=True):
    """A lot that a carton without readable label may be of."""

    __tablename__ = "lot_candidate"

    lot_id: int = Field(foreign_key="lot.id", primary_key=True)
    candidate_id: int = Field(foreign_key="lot.id", primary_key=True, index=True)


class Hold(SQLModel, table=True):
    """A lot may not be used until somebody entitled releases this."""

    id: int | None = Field(default=None, primary_key=True)
    lot_id: int = Field(foreign_key="lot.id", index=True)
    reason: str
    placed_at: Instant
    placed_by: str
    released_at: Instant | None = None
    released_by: str | None = None
    release_reason: str | None = None


class CodeCounter(SQLModel, table=True):
    """How many codes with a prefix have been given out."""

    __tablename__ = "code_counter"

    prefix: str = Field(primary_key=True)
    given: int
