"""Feeds and intake as they are sent and shown."""

from datetime import date, datetime
from decimal import ROUND_HALF_UP, Decimal
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from service.decisions import Finding
from service.feeding.rules import Appetite, FeedKind, Grain, Outcome, Portion
from service.http.bodies import Body, Code, Note, Occurrence, Reason, Refusable
from service.quantities import GRAMS_PER, Mass, MassIn, MassOrNoneIn, MassOut

Count = Annotated[int, Field(ge=0, le=1_000_000)]
MOST_FEEDS = 500
"""In one round: a large house feeds some 300 animals."""


class FeedItemIn(Body):
    """What was offered from one thaw batch, and what became of it.

    Either weighed (offered, eaten …) or counted (offered_count, eaten_count …), each
    fish then taken at its product's mean mass. What is left out of the rest is nothing;
    `left` alone is what remains of the sum. `cold` came back cold and is still in its
    batch; `lost` is fish that somebody else had, or nobody knows.
    """

    thaw_batch: Code
    offered: MassIn | None = None
    eaten: MassOrNoneIn | None = None
    left: MassOrNoneIn | None = Field(default=None, description="Left out: what remains.")
    cold: MassOrNoneIn | None = None
    lost: MassOrNoneIn | None = None
    offered_count: Annotated[Count, Field(ge=1)] | None = None
    eaten_count: Count | None = None
    left_count: Count | None = None
    cold_count: Count | None = None
    lost_count: Count | None = None

    @property
    def counted(self) -> bool:
        """Whether fish were counted and not weighed."""
        return self.offered_count is not None

    @model_validator(mode="after")
    def _adds_up(self) -> Self:
        masses = [self.offered, self.eaten, self.left, self.cold, self.lost]
        counts = [
            self.offered_count,
            self.eaten_count,
            self.left_count,
            self.cold_count,
            self.lost_count,
        ]
        if any(mass is not None for mass in masses):
            if any(count is not None for count in counts):
                raise ValueError("offered: weigh an item or count it, not both")
            self._masses_add_up()
        else:
            self._counts_add_up()
        return self

    def _masses_add_up(self) -> None:
        """offered = eaten + left + cold + lost, compared exactly as the person said them."""
        if self.offered is None or self.eaten is None:
            raise ValueError(f"{'eaten' if self.offered else 'offered'}: say how much")
        offered = _exact(self.offered)
        parts = [mass for mass in (self.eaten, self.cold, self.lost) if mass is not None]
        spent = sum((_exact(mass) for mass in parts), start=Decimal())
        if spent > offered:
            raise ValueError("eaten: is more than was offered")
        if self.left is not None:
            difference = abs(offered - spent - _exact(self.left))
            said = (self.offered, self.eaten, self.left, self.cold, self.lost)
            one_unit = len({mass.unit for mass in said if mass is not None}) == 1
            # Of several units the sum is compared in whole grams: nobody reads
            # pounds and kilograms off one scale to less than that.
            if difference != 0 if one_unit else difference >= 1:
                raise ValueError("left: offered is not eaten + left")

    def _counts_add_up(self) -> None:
        if self.offered_count is None or self.eaten_count is None:
            raise ValueError("offered: say how much was offered and eaten, by mass or by count")
        rest = self.offered_count - self.eaten_count
        rest -= (self.cold_count or 0) + (self.lost_count or 0)
        if rest < 0:
            raise ValueError("eaten_count: is more than was offered")
        if self.left_count not in (None, rest):
            raise ValueError("left_count: offered is not eaten + left")

    def portion(self, fish_g: Decimal = Decimal()) -> Portion:
        """In whole grams that add up. fish_g: the mean mass of one fish, where they were counted.

        >>> FeedItemIn(thaw_batch="T", offered_count=3, eaten_count=1).portion(Decimal("1.5"))
        Portion(offered_g=5, eaten_g=2, left_g=3, cold_g=0, lost_g=0, pieces_offered=3, \
pieces_eaten=1)
        """
        if self.offered is not None and self.eaten is not None:
            if self.cold is None and self.lost is None:
                offered_g, eaten_g = self.offered.grams, self.eaten.grams
                return Portion(offered_g, eaten_g, offered_g - eaten_g)
            parts = [Decimal() if m is None else _exact(m) for m in (self.cold, self.lost)]
            return _whole(_exact(self.offered), _exact(self.eaten), *parts)
        offered, eaten = self.offered_count or 0, self.eaten_count or 0
        counts = (offered, eaten, self.cold_count or 0, self.lost_count or 0)
        whole = _whole(*(count * fish_g for count in counts))
        return Portion(
            whole.offered_g, whole.eaten_g, whole.left_g, whole.cold_g, whole.lost_g, offered, eaten
        )


def _exact(mass: Mass) -> Decimal:
    """Grams, not rounded."""
    return mass.value * GRAMS_PER[mass.unit]


def _whole(offered: Decimal, eaten: Decimal, cold: Decimal, lost: Decimal) -> Portion:
    """Rounded where each part ends on the scale, so that the parts add up to what was offered."""
    ends = (eaten, eaten + cold, eaten + cold + lost, offered)
    first, second, third, all_of_it = (int(end.to_integral_value(ROUND_HALF_UP)) for end in ends)
    return Portion(all_of_it, first, all_of_it - third, second - first, third - second)


class FeedIn(Refusable):
    """One animal, or one group, fed at one time.

    Of a group: how many were there (`present`; left out: all of it), or who (`animals`).
    Neither animal nor group: given to the public to feed, kind `public`. Without items it
    was refused or not offered: `outcome` says which.
    """

    animal: Code | None = None
    group: Code | None = None
    present: Annotated[int, Field(ge=1, le=100_000)] | None = None
    animals: list[Code] | None = Field(default=None, min_length=1, max_length=2000)
    kind: FeedKind = FeedKind.MEAL
    items: list[FeedItemIn] = Field(max_length=60)
    outcome: Outcome | None = Field(default=None, description="Left out: as the masses say.")
    appetite: Appetite = Appetite.NORMAL
    note: Note | None = None

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        if self.animal is not None and self.group is not None:
            raise ValueError("animal: name an animal or a group, not both")
        if self.animal is None and self.group is None and self.kind is not FeedKind.PUBLIC:
            raise ValueError("animal: say who was fed")
        if self.group is None and (self.present is not None or self.animals is not None):
            raise ValueError("present: only of a group")
        if not self.items and (self.outcome in (None, Outcome.EATEN) or self.of_nobody):
            raise ValueError("items: say what was offered, or that it was refused or not offered")
        if self.animals is not None and self.present not in (None, len(self.animals)):
            raise ValueError("present: is not the number of animals named")
        return self

    @property
    def of_nobody(self) -> bool:
        """Whether it was given to the public, and nobody knows who ate it."""
        return self.animal is None and self.group is None


class FeedRoundIn(Refusable):
    """Many feeds in one request: all of them are stored, or none.

    `occurred_at`, `override` and `already_done` hold for every feed that does not say its own.
    """

    feeds: list[FeedIn] = Field(min_length=1, max_length=MOST_FEEDS)


class FeedCorrectionIn(Occurrence):
    """What really happened, in place of what was recorded; when: left out, as recorded."""

    reason: Reason
    feed: FeedIn


class FeedReversalIn(Occurrence):
    """Why a feed is taken back: it never was."""

    reason: Reason


class FeedItemOut(BaseModel):
    """What was offered of one thaw batch, and what became of it."""

    thaw_batch: str
    lot: str
    species: str
    offered: MassOut
    eaten: MassOut
    left: MassOut
    cold: MassOut
    lost: MassOut
    offered_count: int | None = None
    eaten_count: int | None = None
    outcome: Outcome


class FeedShown(BaseModel):
    """A feed as it stands. estimated: nobody saw who of a group, or of the public's, ate it."""

    id: int
    animal: str | None
    group: str | None
    present: int | None
    kind: FeedKind
    outcome: Outcome
    occurred_at: datetime
    recorded_at: datetime
    day: date
    by: str
    appetite: Appetite
    note: str | None
    estimated: bool
    movement_id: int
    clock_corrected_s: int
    corrects: int | None
    taken_back: bool
    items: list[FeedItemOut]


class FeedOut(FeedShown):
    """A feed that was recorded."""

    breaches: list[Finding]
    findings: list[Finding]


class FeedRoundOut(BaseModel):
    """A round that was recorded, feed by feed in the order in which they were sent."""

    feeds: list[FeedOut]
    eaten: MassOut
    breaches: int


class FeedCorrectionOut(BaseModel):
    """The feed that stands now, and the movement that took the wrong one back."""

    feed: FeedOut
    reversal: int


class FeedReversalOut(BaseModel):
    """A feed that no longer stands, and the movement that took it back."""

    feed: int
    reversal: int


class SpeciesEaten(BaseModel):
    """What was eaten of one species."""

    species: str
    eaten: MassOut


class LotEaten(BaseModel):
    """What was eaten of one lot."""

    lot: str
    species: str
    eaten: MassOut


class NutrientEaten(BaseModel):
    """How much of a nutrient was eaten; not_known: mass whose content nobody knows."""

    nutrient: str
    amount: float
    unit: str
    not_known: MassOut


class IntakeDay(BaseModel):
    """What was offered and eaten in one step of the record, from `day` to `until`, both included.

    refused, not_offered: feeds of an animal by itself at which it ate nothing.
    estimated: of what was eaten, shares of what a group had.
    """

    day: date
    until: date
    feeds: int
    refused: int
    not_offered: int
    offered: MassOut
    eaten: MassOut
    left: MassOut
    cold: MassOut
    lost: MassOut
    estimated: MassOut
    energy_kcal: float
    nutrients: list[NutrientEaten]
    species: list[SpeciesEaten]
    lots: list[LotEaten]


class IntakeOut(BaseModel):
    """What an animal or a group ate, step by step. Steps without a recorded feed are left out."""

    model_config = ConfigDict(populate_by_name=True, serialize_by_alias=True)

    animal: str | None = None
    group: str | None = None
    from_day: date = Field(alias="from")
    to_day: date = Field(alias="to")
    by: Grain
    days: list[IntakeDay]
    total: MassOut
    estimated: MassOut
    energy_kcal: float
    nutrients: list[NutrientEaten]
    species: list[SpeciesEaten]
    lots: list[LotEaten]
    cautions: list[str]
