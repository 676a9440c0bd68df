"""The sheets as they are shown, and their rows as a table."""

from datetime import date, datetime

from pydantic import BaseModel, Field

from service.animals.rules import Group
from service.buckets.rules.pieces import PieceOutcome
from service.buckets.rules.states import BucketState
from service.quantities import MassOut
from service.supplements.schemas import PlanOut

NOT_SIGNED = "NOT SIGNED: do not give"
NOT_IN_FORCE = "NO ORDER IS IN FORCE: do not give, ask the vet"


class FishOut(BaseModel):
    """Fish of a feed."""

    species: str
    name: str
    mass: MassOut


class PieceOut(BaseModel):
    """Pieces of one product for one animal at one time."""

    animal: str
    animal_name: str
    product: str
    name: str
    count: float
    counted_in: str
    batch: str | None
    fish: str | None
    how: str
    plan: int
    signed_by: str | None
    in_force: bool = Field(description="False: the order that they were put in by has ended.")
    outcome: PieceOutcome | None = Field(description="What became of them, if it was said.")
    recorded: list[str] = Field(description="What was recorded of this product on that day.")
    done: bool = Field(
        default=False, description="Given, or not, and recorded: not to be given again by itself."
    )


class BlockOut(BaseModel):
    """A bucket with its pieces; an animal and feed where no bucket was made yet."""

    at: datetime | None = Field(description="Null: no feed of it is planned for this day.")
    feed: int | None
    bucket: str | None
    state: BucketState | None
    animal: str | None
    group: str | None
    name: str
    apart: bool = Field(description="Before a feed, by hand; not in a bucket.")
    medicated: bool = Field(description="A medicine is in this bucket too: see its label.")
    fish: list[FishOut]
    pieces: list[PieceOut]


class WaitingPieceOut(BaseModel):
    """Pieces that nobody has ordered."""

    product: str
    name: str
    count: float
    counted_in: str


class WaitingOut(BaseModel):
    """A proposal that nobody has signed: not to be given."""

    animal: str
    animal_name: str
    plan: int
    proposed_by: str
    pieces: list[WaitingPieceOut]
    says: str = NOT_SIGNED


class SheetHead(BaseModel):
    """Whose sheet it is, of which day, when it was made and by whom."""

    site: str
    site_name: str
    day: date
    printed_at: datetime
    printed_by: str
    cautions: list[str]


class KitchenSheetOut(SheetHead):
    """What the kitchen puts into fish on a day, in the order of feeding."""

    blocks: list[BlockOut]
    not_signed: list[WaitingOut]


class VetAnimalOut(BaseModel):
    """An animal's order in force, or a proposal that waits, with all of its figures."""

    animal: str
    name: str
    taxon: str
    group: Group
    in_force: bool
    body_mass_g: int | None
    food: list[str] = Field(description="Of the day that was planned: mass, fish, lot.")
    plan: PlanOut
    proposed_by: str
    proposed_at: datetime
    signed_as: str | None
    meaning: str | None


class VetSheetOut(SheetHead):
    """Every figure behind a day's supplements, with signatures."""

    items: list[VetAnimalOut]


class KitchenRow(BaseModel):
    """Pieces of the kitchen sheet as a row; `says`: why they are not to be given."""

    day: date
    at: datetime | None
    feed: int | None
    bucket: str | None
    group: str | None
    animal: str
    name: str
    fish: str
    product: str
    count: float
    counted_in: str
    batch: str | None
    how: str
    plan: int
    signed_by: str | None
    says: str
    caution: str


class VetRow(BaseModel):
    """A nutrient of an animal as a row."""

    day: date
    animal: str
    name: str
    plan: int
    says: str
    nutrient: str
    unit: str
    required: float
    credit: float
    add: float
    add_low: float
    add_high: float
    given: float
    fish_low: float | None
    fish: float | None
    fish_high: float | None
    total_low: float | None
    total_high: float | None
    limit: float | None
    limit_on: str
    room: float | None
    short_by: float
    source: str
    pieces: str
    findings: str
    signed_by: str | None
    signed_as: str | None
    meaning: str | None
    signed_at: datetime | None
    caution: str
