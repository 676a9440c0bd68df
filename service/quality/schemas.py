"""Lots with their stock and their quality, as they are shown."""

from datetime import date, datetime

from pydantic import BaseModel, Field

from service.decisions import Finding
from service.lots.rules import LotStatus, ReceivedAs
from service.quantities import MassOut, TemperatureOut

CAUTION = "Models estimate; a thermometer in the fish and a laboratory decide."


class LotRow(BaseModel):
    """A lot, where it stands, and what is on hand of it."""

    code: str
    species: str
    product: str
    supplier: str
    supplier_lot: str | None
    part: str
    form: str
    size_grade: str | None
    received_as: ReceivedAs
    caught_from: date | None
    caught_to: date | None
    frozen_on: date | None
    best_before: date | None
    arrived_at: datetime
    age_days: int | None
    status: LotStatus
    mass: MassOut
    on_hand: MassOut
    cartons: int | None


class PlaceStock(BaseModel):
    """What of a lot is in one place."""

    place: str
    mass: MassOut


class HoldRow(BaseModel):
    """A hold on a lot."""

    id: int
    reason: str
    placed_at: datetime
    placed_by: str
    released_at: datetime | None


class LotDetail(LotRow):
    """A lot with its places and holds."""

    places: list[PlaceStock]
    holds: list[HoldRow]


class LifeOut(BaseModel):
    """Share of storage life used and days left, as the fish is kept now."""

    used: float
    used_range: tuple[float, float]
    left_days: float
    profile: str


class NutrientLeft(BaseModel):
    """What is left of a nutrient, as fed, with its 10-90 % range.

    share_left: of what there was at first. credited: the low and the high bound of what the
    site's policy lets count towards a need; note says why nothing does.
    """

    nutrient: str
    amount: float
    range: tuple[float, float]
    unit: str
    from_: str = Field(serialization_alias="from")
    note: str | None = None
    share_left: float
    share_left_range: tuple[float, float]
    credited: tuple[float, float]
    steps: list[str]


class ExposureOut(BaseModel):
    """How much of the history is known, and the warmest that was measured."""

    hours_known: float
    hours_unknown: float
    max_c: float | None


class ParcelQuality(BaseModel):
    """One parcel on hand."""

    parcel: int
    place: str
    thaw_batch: str | None
    mass: MassOut
    life: LifeOut
    exposure: ExposureOut


class LifeLeftRow(BaseModel):
    """One parcel on hand with the life that is left of it, now or as it is planned.

    max_c: the warmest that was measured. ice_days: what it has aged since it was pulled, as
    days on melting ice. silent_since: nobody has measured its place since.
    """

    parcel: int
    lot: str
    species: str
    place: str
    thaw_batch: str | None
    mass: MassOut
    at: datetime
    life: LifeOut
    exposure: ExposureOut
    ice_days: float | None
    silent_since: datetime | None


class QualityOut(BaseModel):
    """Age, life and nutrients of a lot; the headline is its worst parcel on hand."""

    lot: str
    at: datetime
    age_days: int | None
    age_from: date | None
    life: LifeOut
    nutrients: list[NutrientLeft]
    exposure: ExposureOut
    parcels: list[ParcelQuality]
    findings: list[Finding]
    caution: str = CAUTION


class ContentPoint(BaseModel):
    """What there was of a nutrient at an instant, with its 10-90 % range; forecast: will be."""

    at: datetime
    low: float
    amount: float
    high: float
    forecast: bool


class CountedResult(BaseModel):
    """A laboratory's result that counts."""

    assay: int
    sampled_on: date
    portion: str
    amount: float
    below: float | None


class OverTimeOut(BaseModel):
    """A nutrient of a lot over time, as fed: at the temperatures it had, then as it is kept.

    kept: how, from `at` on. results: every counted one of this lot; the newest of whole fish
    is where the loss begins to count.
    """

    lot: str
    nutrient: str
    unit: str
    at: datetime
    source: str
    kept: str
    storage: TemperatureOut | None
    results: list[CountedResult]
    steps: list[str]
    items: list[ContentPoint]
    next: None = None
    caution: str = CAUTION
