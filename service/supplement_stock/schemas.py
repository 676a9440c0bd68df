"""Supplement stock as it is sent and shown."""

from calendar import monthrange
from datetime import date, datetime
from re import ASCII, fullmatch
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints

from service.catalogue.schemas import ContentOut, Contents, Priced
from service.decisions import Finding
from service.http.bodies import Code, Day, Occurrence, Reason, Refusable
from service.supplement_stock.rules import Kind, State


def _last_of_the_month(value: object) -> object:
    if isinstance(value, str) and (found := fullmatch(r"(\d{4})-(0[1-9]|1[0-2])", value, ASCII)):
        year, month = int(found[1]), int(found[2])
        return f"{value}-{monthrange(year, month)[1]:02}" if year else value
    return value


BatchCode = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=60)]
"""A maker's batch code as it is printed; found in any case and spacing."""
Expiry = Annotated[Day, BeforeValidator(_last_of_the_month)]
"""The last day on which it may be given; a label's month alone, 2027-06, is its last day."""
Count = Annotated[float, Field(gt=0, le=1e6, allow_inf_nan=False)]
Counted = Annotated[float, Field(ge=0, le=1e6, allow_inf_nan=False)]


class SupplementBatchIn(Priced):
    """A batch of a supplement that came: pieces, grams of powder, millilitres of liquid."""

    product: Code
    site: Code | None = Field(default=None, description="Left out: the only site.")
    code: BatchCode
    expires_on: Expiry
    received: Count
    contents: Contents | None = Field(
        default=None, description="The strength printed on it; left out: as the product says."
    )


class SupplementReceiptIn(Occurrence):
    """More of a batch that came before."""

    received: Count


class SupplementCountIn(Occurrence):
    """What somebody counted, weighed or measured of a batch."""

    counted: Counted
    reason: Reason


class SupplementDiscardIn(Refusable):
    """What is thrown away of a batch."""

    count: Count | None = Field(default=None, description="Left out: all that is left.")
    reason: Reason


class SupplementMovementOut(BaseModel):
    """What came to a batch (above nothing) or went from it (below)."""

    model_config = ConfigDict(from_attributes=True)

    id: int
    batch: int
    kind: Kind
    count: float
    counted: float | None = Field(description="What somebody counted; count is the difference.")
    occurred_at: datetime
    day: date
    recorded_at: datetime
    by: str
    reason: str | None
    reference: str | None = Field(description="What it was given as.")
    reverses: int | None


class SupplementBatchOut(BaseModel):
    """A batch, what is left of it, and what is to be known before it is given."""

    id: int
    site: str
    product: str
    code: str
    expires_on: date
    state: State
    counted_in: str = Field(description="piece, g or mL: of what is left, and contents are per.")
    left: float
    contents: list[ContentOut]
    price: float | None
    currency: str | None
    findings: list[Finding]


class SupplementStockOut(BaseModel):
    """What was booked, the batch as it now stands, and what a fact went against."""

    movement: SupplementMovementOut
    batch: SupplementBatchOut
    breaches: list[Finding]


class SupplementOnHand(BaseModel):
    """What a site has of a product, and how long it lasts."""

    site: str
    product: str
    name: str
    counted_in: str
    usable: float = Field(description="What is left and not past its date.")
    expired: float = Field(description="What is left and may not be given.")
    next_batch: int | None = Field(description="First expired, first out.")
    used_per_day: float = Field(description="Given and lost in the last 14 days, by the day.")
    days_left: float | None = Field(
        description="At that use, without what expires before; null where nothing is used."
    )
