"""Deliveries as they are sent and shown."""

from datetime import date, datetime
from typing import Annotated, Any, Self

from pydantic import BaseModel, ConfigDict, Field, PlainSerializer, model_validator

from service.decisions import Finding
from service.http.bodies import Body, Code, Day, Moment, Occurrence
from service.lots.rules import AgeBasis, LotStatus, ReceivedAs
from service.quantities import Mass, MassIn, MassOut, TemperatureIn, TemperatureOut

Cartons = Annotated[int, Field(gt=0, le=1_000_000)]
SupplierLot = Annotated[str, Field(min_length=1, max_length=80)]


class CatchIn(Body):
    """The cartons of a pallet that were caught on the same days."""

    caught_from: Day
    caught_to: Day | None = None
    supplier_lot: SupplierLot | None = None
    cartons: Cartons | None = None
    mass: MassIn | None = None


class DocumentIn(Body):
    """A paper that came with the load."""

    kind: Annotated[str, Field(min_length=2, max_length=60)]
    number: Annotated[str, Field(min_length=1, max_length=80)]
    issued_on: Day | None = None
    valid_until: Day | None = None
    photo: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")] | None = None


class LotIn(Body):
    """Fish of one product and catch from this delivery.

    catches: a pallet of several catch dates, each with its own cartons or mass; it
    becomes a lot for each. papers_cartons, papers_mass: what the papers say came.
    """

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
    age_basis: AgeBasis | None = Field(
        default=None, description="What its days are the days of; left out: the catch."
    )
    catches: list[CatchIn] | None = Field(default=None, min_length=1, max_length=60)
    papers_cartons: Cartons | None = None
    papers_mass: MassIn | None = None

    @model_validator(mode="after")
    def _one_way_to_say_it(self) -> Self:
        if self.catches is not None:
            said = (self.caught_from, self.caught_to, self.cartons, self.mass)
            if any(value is not None for value in said):
                raise ValueError(
                    "catches: with them caught_from, caught_to, cartons and mass are left out"
                )
            if any(each.cartons is None and each.mass is None for each in self.catches):
                raise ValueError("catches: each needs its cartons or its mass")
        if self.age_basis is AgeBasis.FROZEN and self.frozen_on is None:
            raise ValueError("frozen_on: is what age_basis says the age counts from")
        return self

    def of_each_catch(self) -> list["LotIn"]:
        """A line for each catch of the pallet; itself where there is one."""
        if self.catches is None:
            return [self]
        shared = {"catches": None, "papers_cartons": None, "papers_mass": None}
        return [
            self.model_copy(
                update=shared
                | {
                    "caught_from": each.caught_from,
                    "caught_to": each.caught_to,
                    "supplier_lot": each.supplier_lot or self.supplier_lot,
                    "cartons": each.cartons,
                    "mass": each.mass,
                }
            )
            for each in self.catches
        ]


class DeliveryIn(Occurrence):
    """One arrival from one supplier."""

    supplier: Code
    arrived_at: Moment | None = Field(default=None, description="Left out: now.")
    vehicle_temperature: TemperatureIn | None = None
    order_number: Annotated[str, Field(min_length=1, max_length=60)] | None = None
    documents: list[DocumentIn] = Field(default_factory=list, max_length=40)
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


class DocumentOut(BaseModel):
    """A paper that came with a delivery."""

    model_config = ConfigDict(from_attributes=True)

    kind: str
    number: str
    issued_on: date | None
    valid_until: date | None
    photo: str | None


class DeliveryOut(BaseModel):
    """A delivery that was recorded."""

    id: int
    supplier: str
    arrived_at: datetime
    vehicle_temperature: TemperatureOut | None
    order_number: str | None = None
    opening: bool = Field(default=False, description="True: it was here before the books were.")
    documents: list[DocumentOut] = []
    lots: list[ReceivedLot]


# What is entered step by step while the truck stands there. The fields are those above, but
# none is needed before its step has come.


def _as_said(mass: Mass) -> str:
    return f"{mass.value} {mass.unit}"


KeptMass = Annotated[MassIn, PlainSerializer(_as_said, return_type=str, when_used="json")]


class ArrivalEntered(Body):
    """Who brought it, when, how cold the vehicle was, and with which papers."""

    supplier: Code
    arrived_at: Moment | None = None
    vehicle_temperature: TemperatureIn | None = None
    order_number: Annotated[str, Field(min_length=1, max_length=60)] | None = None
    documents: list[DocumentIn] = Field(default_factory=list, max_length=40)
    looked_at: bool = Field(default=False, description="The vehicle and its papers were.")


class FishEntered(Body):
    """What a lot is, as its label or its papers say."""

    product: Code
    supplier_lot: SupplierLot | None = None
    caught_from: Day | None = None
    caught_to: Day | None = None
    frozen_on: Day | None = None
    best_before: Day | None = None
    received_as: ReceivedAs = ReceivedAs.FROZEN


class AmountEntered(Body):
    """How much came, and how much the papers say."""

    cartons: Cartons | None = None
    mass: KeptMass | None = None
    papers_cartons: Cartons | None = None
    papers_mass: KeptMass | None = None

    @model_validator(mode="after")
    def _how_much(self) -> Self:
        if self.cartons is None and self.mass is None:
            raise ValueError("give cartons, or a mass")
        return self


class LotEntered(Body):
    """What is known so far of one lot. read: its label, as it was read."""

    read: dict[str, Any] | None = None
    fish: FishEntered | None = None
    amount: AmountEntered | None = None
    place: Code | None = None
    core_temperatures: list[TemperatureIn] = Field(default_factory=list, max_length=200)
    measured: bool = Field(default=False, description="No more cores are measured.")
    left_out: bool = False

    @property
    def complete(self) -> bool:
        """Whether every step was taken; the core of fish that is not frozen is not measured."""
        if self.fish is None or self.amount is None or self.place is None:
            return False
        return self.measured or self.fish.received_as is not ReceivedAs.FROZEN

    def line(self) -> dict[str, Any]:
        """Its line in `lots` of a delivery."""
        known = dict(self.fish or {}) | dict(self.amount or {})
        return known | {"place": self.place, "core_temperatures": self.core_temperatures}


class DeliveryEntered(Body):
    """All that was entered so far of one arrival."""

    arrival: ArrivalEntered
    lots: list[LotEntered] = Field(default_factory=list, max_length=200)

    @property
    def taken(self) -> dict[int, LotEntered]:
        """The lots that were not left out, by their number."""
        return {i: lot for i, lot in enumerate(self.lots) if not lot.left_out}
