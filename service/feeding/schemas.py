"""Feeds and intake as they are sent and shown."""

from datetime import date, datetime
from typing import Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from service.decisions import Finding
from service.feeding.rules import Appetite
from service.http.bodies import Body, Code, Note, Refusable
from service.quantities import GRAMS_PER, MassIn, MassOrNoneIn, MassOut


class FeedItemIn(Body):
    """What was offered from one thaw batch, and what of it was eaten."""

    thaw_batch: Code
    offered: MassIn
    eaten: MassOrNoneIn
    left: MassOrNoneIn | None = Field(default=None, description="Left out: offered − eaten.")

    @model_validator(mode="after")
    def _adds_up(self) -> Self:
        """offered = eaten + left, compared exactly as the person said them."""
        offered, eaten = (m.value * GRAMS_PER[m.unit] for m in (self.offered, self.eaten))
        if eaten > offered:
            raise ValueError("eaten: is more than was offered")
        if self.left is not None:
            left = self.left.value * GRAMS_PER[self.left.unit]
            one_unit = self.offered.unit == self.eaten.unit == self.left.unit
            # Of several units the sum is compared in whole grams: nobody reads
            # pounds and kilograms off one scale to less than that.
            difference = abs(offered - eaten - left)
            if difference != 0 if one_unit else difference >= 1:
                raise ValueError("left: offered is not eaten + left")
        return self


class FeedIn(Refusable):
    """One animal fed at one time."""

    animal: Code
    items: list[FeedItemIn] = Field(min_length=1, max_length=60)
    appetite: Appetite = Appetite.NORMAL
    note: Note | None = None


class FeedItemOut(BaseModel):
    """What an animal was offered, ate and left of one thaw batch."""

    thaw_batch: str
    lot: str
    species: str
    offered: MassOut
    eaten: MassOut
    left: MassOut


class FeedOut(BaseModel):
    """A feed that was recorded."""

    id: int
    animal: str
    occurred_at: datetime
    appetite: Appetite
    movement_id: int
    items: list[FeedItemOut]
    breaches: list[Finding]
    findings: list[Finding]


class SpeciesEaten(BaseModel):
    """What an animal ate of one species."""

    species: str
    eaten: MassOut


class LotEaten(BaseModel):
    """What an animal ate of one lot."""

    lot: str
    species: str
    eaten: MassOut


class IntakeDay(BaseModel):
    """What an animal was offered and ate on one civil day."""

    day: date
    feeds: int
    offered: MassOut
    eaten: MassOut
    left: MassOut
    species: list[SpeciesEaten]
    lots: list[LotEaten]


class IntakeOut(BaseModel):
    """What an animal ate, day by day. Days without a recorded feed are left out."""

    model_config = ConfigDict(populate_by_name=True, serialize_by_alias=True)

    animal: str
    from_day: date = Field(alias="from")
    to_day: date = Field(alias="to")
    days: list[IntakeDay]
    total: MassOut
    species: list[SpeciesEaten]
    lots: list[LotEaten]
