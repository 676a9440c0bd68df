"""The books: parcels, movements, transfers, reservations, counts.

Movements and transfers refuse update and delete by triggers; a parcel's
columns other than grams and cartons are frozen. See the migrations.
"""

from sqlalchemy import CheckConstraint, Index, text
from sqlmodel import Field, SQLModel

from service.database import Instant

_ONE_SOURCE = "(from_parcel_id IS NULL) <> (from_account IS NULL)"
_ONE_TARGET = "(to_parcel_id IS NULL) <> (to_account IS NULL)"
_THAWING = text("grams > 0 AND thaw_batch_id IS NOT NULL")
_LOOSE = text("grams > 0 AND thaw_batch_id IS NULL")


class ThawBatch(SQLModel, table=True):
    """Pulled fish of one lot on its way, with its own label code.

    split_from_id, split_at: the batch that it was a part of, and until when.
    """

    __tablename__ = "thaw_batch"

    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(unique=True)
    site_id: int = Field(foreign_key="site.id", index=True)
    lot_id: int = Field(foreign_key="lot.id", index=True)
    left_freezer_at: Instant
    split_from_id: int | None = Field(default=None, foreign_key="thaw_batch.id")
    split_at: Instant | None = None


class Parcel(SQLModel, table=True):
    """Grams of one lot that have been in one place since one instant."""

    __table_args__ = (
        CheckConstraint("grams >= 0", name="parcel_grams_not_negative"),
        CheckConstraint("cartons >= 0", name="parcel_cartons_not_negative"),
        Index("ix_parcel_lot_id_place_id", "lot_id", "place_id"),
        Index(
            "ix_parcel_loose",  # what is in no thaw batch now, however much there has been
            "thaw_batch_id",  # without it SQLite takes the index of all that ever was in none
            "lot_id",
            sqlite_where=_LOOSE,
            postgresql_where=_LOOSE,
        ),
        Index(
            "ix_parcel_thawing",  # what is in thaw batches now, however many there have been
            "thaw_batch_id",
            sqlite_where=_THAWING,
            postgresql_where=_THAWING,
        ),
    )

    id: int | None = Field(default=None, primary_key=True)
    lot_id: int = Field(foreign_key="lot.id")
    parent_id: int | None = Field(default=None, foreign_key="parcel.id")
    place_id: int = Field(foreign_key="place.id", index=True)
    thaw_batch_id: int | None = Field(default=None, foreign_key="thaw_batch.id", index=True)
    opened_at: Instant
    grams: int
    cartons: int | None = None


class StockCount(SQLModel, table=True):
    """What somebody counted of a lot in a place at an instant."""

    __tablename__ = "stock_count"
    __table_args__ = (
        Index("ix_stock_count_lot_id_place_id", "lot_id", "place_id", "occurred_at"),
        CheckConstraint("counted_g >= 0", name="counted_not_negative"),
    )

    id: int | None = Field(default=None, primary_key=True)
    lot_id: int = Field(foreign_key="lot.id")
    place_id: int = Field(foreign_key="place.id")
    counted_g: int
    occurred_at: Instant
    recorded_at: Instant


class Movement(SQLModel, table=True):
    """One event in the ledger; its transfers carry the grams."""

    __table_args__ = (Index("ix_movement_site_id_occurred_at", "site_id", "occurred_at"),)

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id")
    kind: str
    occurred_at: Instant
    recorded_at: Instant
    by: str
    reason: str | None = None
    reverses_id: int | None = Field(default=None, foreign_key="movement.id", unique=True)
    count_id: int | None = Field(default=None, foreign_key="stock_count.id", index=True)


class Transfer(SQLModel, table=True):
    """Grams from a parcel or account to a parcel or account: none appear, none vanish."""

    __table_args__ = (
        CheckConstraint("grams > 0", name="transfer_more_than_nothing"),
        CheckConstraint(_ONE_SOURCE, name="one_source"),
        CheckConstraint(_ONE_TARGET, name="one_target"),
    )

    id: int | None = Field(default=None, primary_key=True)
    movement_id: int = Field(foreign_key="movement.id", index=True)
    lot_id: int = Field(foreign_key="lot.id", index=True)
    from_parcel_id: int | None = Field(default=None, foreign_key="parcel.id", index=True)
    to_parcel_id: int | None = Field(default=None, foreign_key="parcel.id", index=True)
    from_account: str | None = None
    to_account: str | None = None
    grams: int
    cartons: int | None = None


class Reservation(SQLModel, table=True):
    """Grams of a parcel kept for one thaw request until an instant."""

    __table_args__ = (CheckConstraint("grams >= 0", name="reservation_not_negative"),)

    id: int | None = Field(default=None, primary_key=True)
    parcel_id: int = Field(foreign_key="parcel.id", index=True)
    thaw_request_id: int = Field(foreign_key="thaw_request.id", index=True)
    grams: int
    until: Instant
    released_at: Instant | None = None


class ReservationUse(SQLModel, table=True):
    """Grams of a reservation that a pull used: given back when the pull is taken back."""

    __tablename__ = "reservation_use"

    movement_id: int = Field(foreign_key="movement.id", primary_key=True)
    reservation_id: int = Field(foreign_key="reservation.id", primary_key=True, index=True)
    grams: int
