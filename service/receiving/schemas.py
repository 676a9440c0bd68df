"""Deliveries as they are sent and shown."""

from datetime import datetime
from typing import Annotated

from pydantic import BaseModel, Field

from service.decisions import Finding
from service.http.bodies import Body, Code, Day, Moment, Occurrence
from service.lots.rules import LotStatus, ReceivedAs
from service.quantities import MassIn, MassOut, TemperatureIn, TemperatureOut

Cartons = Annotated[int, Field(gt=0, le=1_000_000)]
SupplierLot = Annotated[str, Field(min_length=1, max_length=80)]


class LotIn(Body):
    """Fish of one product and catch from this delivery."""

    product: Code
    place: Code
    supplier_lot: SupplierLot | None = None
    caught_from: Day | None = None
    caught_to: Day | None = None
    frozen_on: Day | None = None
    best_before: Day | None = None
    cartons: Cartons | None = None
    mass: MassIn | None = Field(default=None, description="Left out: cartons × carton mass.")
    received_as: ReceivedAs = ReceivedAs.FROZEN
    core_temperatures: list[TemperatureIn] = Field(default_factory=list, max_length=200)


class DeliveryIn(Occurrence):
    """One arrival from one supplier."""

    supplier: Code
    arrived_at: Moment | None = Field(default=None, description="Left out: now.")
    vehicle_temperature: TemperatureIn | None = None
    lots: list[LotIn] = Field(min_length=1, max_length=200)

    @property
    def arrival(self) -> datetime | None:
        """When it came, as far as it was said."""
        return self.arrived_at or self.occurred_at


class ReceivedLot(BaseModel):
    """A lot that was received: its code, where it stands, and what was found."""

    code: str
    species: str
    status: LotStatus
    mass: MassOut
    cartons: int | None
    findings: list[Finding]


class DeliveryOut(BaseModel):
    """A delivery that was recorded."""

    id: int
    supplier: str
    arrived_at: datetime
    vehicle_temperature: TemperatureOut | None
    lots: list[ReceivedLot]
