"""Batches of supplements, what came and went of each, and what was told of them."""

from datetime import date

from sqlalchemy import JSON, BigInteger, CheckConstraint, Column, Index, UniqueConstraint
from sqlmodel import Field, SQLModel

from service.database import Instant


class SupplementBatch(SQLModel, table=True):
    """What a site holds of one batch of a product: its strength, its expiry, what is left.

    code: as the maker printed it; key: the same in capitals without spaces, by which it is
    found. Amounts are whole thousandths of a piece, gram or millilitre. last_at: when the
    newest thing happened to it. The row is the lock on its movements.
    """

    __tablename__ = "supplement_batch"
    __table_args__ = (
        CheckConstraint("left_milli >= 0", name="left_not_negative"),
        UniqueConstraint("site_id", "product_id", "key"),
        Index("ix_supplement_batch_site_id_expires_on", "site_id", "expires_on", "id"),
    )

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id")
    product_id: int = Field(foreign_key="supplement_product.id", index=True)
    code: str
    key: str
    expires_on: date
    contents: dict[str, float] = Field(sa_column=Column(JSON, nullable=False))
    price: float | None = None
    currency: str | None = None
    left_milli: int = Field(sa_column=Column(BigInteger, nullable=False))
    last_at: Instant
    recorded_at: Instant
    by: str


class SupplementMovement(SQLModel, table=True):
    """Thousandths of a piece that came to a batch or went; never changed, never deleted.

    counted_milli: what somebody counted; the difference to the books is `milli`. A difference
    without a count settles a fact that took more than was there, or came late. day: of
    what was given; reference: to what another part has recorded it as.
    """

    __tablename__ = "supplement_movement"
    __table_args__ = (
        CheckConstraint("kind IN ('counted', 'reversed') OR milli <> 0", name="something_moved"),
        CheckConstraint("counted_milli IS NULL OR kind = 'counted'", name="counted_by_a_count"),
        Index("ix_supplement_movement_batch_id_day", "batch_id", "day"),
    )

    id: int | None = Field(default=None, primary_key=True)
    batch_id: int = Field(foreign_key="supplement_batch.id")
    kind: str
    milli: int = Field(sa_column=Column(BigInteger, nullable=False))
    counted_milli: int | None = Field(default=None, sa_column=Column(BigInteger, nullable=True))
    occurred_at: Instant
    day: date
    recorded_at: Instant
    by: str
    reason: str | None = None
    reference: str | None = Field(default=None, index=True)
    reverses_id: int | None = Field(default=None, foreign_key="supplement_movement.id", unique=True)


class SupplementConcern(SQLModel, table=True):
    """Something told of the supplements of a site, once, until it is over."""

    __tablename__ = "supplement_concern"

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id", index=True)
    product_id: int = Field(foreign_key="supplement_product.id", index=True)
    batch_id: int | None = Field(default=None, foreign_key="supplement_batch.id", index=True)
    kind: str
    because: str
    told_at: Instant
    ended_at: Instant | None = None
