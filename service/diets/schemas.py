"""Diets, rations and substitutions as they are sent and shown."""

import re
from datetime import date, datetime
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

from service.decisions import Finding
from service.diets.rules import AmountBy, AmountsFor, DietStatus, FeedKind
from service.http.bodies import Body, Code, Day, Name, Occurrence, Reason
from service.quantities import MassIn, MassOut

_CLOCK = re.compile(r"([01]\d|2[0-3]):[0-5]\d", re.ASCII)
_SUM_WITHIN = 1e-6
Percent = Annotated[float, Field(gt=0, le=100)]
Energy = Annotated[float, Field(gt=0, le=1e7)]
TimesBasal = Annotated[float, Field(gt=0, le=20)]
Share = Annotated[float, Field(gt=0, le=1)]
Factor = Annotated[float, Field(ge=0, le=5)]


class AmountIn(Body):
    """How much per day: by mass, by body mass, by energy, or by Kleiber's basal rate."""

    mass: MassIn | None = None
    percent_of_body_mass: Percent | None = None
    energy_kcal: Energy | None = None
    times_basal: TimesBasal | None = Field(
        default=None, description="Times 70 kcal/day × (body mass in kg)^0.75."
    )

    def given(self) -> list[tuple[AmountBy, float]]:
        """The amounts that were sent; a mass in grams."""
        found = [(by, amount) for by in AmountBy if (amount := getattr(self, by, None)) is not None]
        return [(by, float(a.grams) if by is AmountBy.MASS else a) for by, a in found]

    @model_validator(mode="after")
    def _one_amount(self) -> Self:
        if len(self.given()) != 1:
            raise ValueError("say how much in exactly one way")
        return self


class DietItemIn(AmountIn):
    """How much of one species per day."""

    species: Code
    share: Share | None = Field(default=None, description="Mass share of the diet's total.")
    minimum: MassIn | None = Field(default=None, description="Per animal and day.")
    maximum: MassIn | None = Field(default=None, description="Per animal and day.")
    size_grade: Name | None = None
    substitutes: list[Code] = Field(
        default_factory=list, max_length=10, description="What may stand in for it, best first."
    )

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.minimum and self.maximum and self.minimum.grams > self.maximum.grams:
            raise ValueError("minimum is more than maximum")
        if self.species in self.substitutes or len(set(self.substitutes)) != len(self.substitutes):
            raise ValueError("substitutes: other species, each named once")
        return self


class PlannedFeedIn(Body):
    """A feed of each day. All kinds count in the day's ration."""

    at: Annotated[str, StringConstraints(pattern=_CLOCK.pattern)] = Field(
        description="Local time, HH:MM."
    )
    share: Share | None = Field(default=None, description="Of the day; left out: even shares.")
    kind: FeedKind = FeedKind.MEAL


class DietIn(Occurrence):
    """A diet from a day on, or from a feed of it."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True)

    from_day: Day = Field(alias="from")
    from_feed: Annotated[int, Field(ge=1, le=24)] = Field(
        default=1, description="The first of its feeds that it holds for on that day."
    )
    total: AmountIn | None = Field(default=None, description="What the items are shares of.")
    items: list[DietItemIn] = Field(min_length=1, max_length=30)
    feeds_per_day: Annotated[int, Field(ge=1, le=24)] = 1
    feeds: list[PlannedFeedIn] | None = Field(default=None, min_length=1, max_length=24)
    season: list[Factor] | None = Field(
        default=None,
        min_length=12,
        max_length=12,
        description="Factors of mid-January to mid-December, straight lines between them.",
    )
    amounts_for: AmountsFor = Field(
        default=AmountsFor.ANIMAL,
        description="Of a group's diet: for each animal present, or for all together. Shares of "
        "body mass and basal rates always count those present.",
    )
    reason: Reason | None = None

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        species = [item.species for item in self.items]
        if len(set(species)) != len(species):
            raise ValueError("items: each species is named once")
        shares = [item.share for item in self.items if item.share is not None]
        if self.total is None and shares:
            raise ValueError("items: a share needs a total")
        if self.total is not None and (
            len(shares) != len(self.items) or abs(sum(shares) - 1) > _SUM_WITHIN
        ):
            raise ValueError("items: shares of a total sum to 1")
        if self.season is not None and not any(self.season):
            raise ValueError("season: some month is more than nothing")
        self._feeds_fit()
        return self

    def _feeds_fit(self) -> None:
        if self.feeds is not None:
            shares = [feed.share for feed in self.feeds if feed.share is not None]
            if shares and (len(shares) != len(self.feeds) or abs(sum(shares) - 1) > _SUM_WITHIN):
                raise ValueError("feeds: all shares or none, and they sum to 1")
            if len({feed.at for feed in self.feeds}) != len(self.feeds):
                raise ValueError("feeds: each time is named once")
        if self.from_feed > (len(self.feeds) if self.feeds else self.feeds_per_day):
            raise ValueError("from_feed: the diet has fewer feeds")


class DietItemOut(BaseModel):
    """How much of one species per day; mass: what it comes to now, at the season's factor 1."""

    species: str
    mass: MassOut | None
    amount_by: AmountBy
    amount: float
    minimum: MassOut | None
    maximum: MassOut | None
    size_grade: str | None
    substitutes: list[str]


class PlannedFeedOut(BaseModel):
    """A feed of each day."""

    at: str
    share: float
    kind: FeedKind


class DietOut(BaseModel):
    """A diet; one that is proposed counts only once it is approved."""

    model_config = ConfigDict(populate_by_name=True, serialize_by_alias=True)

    id: int
    animal: str | None
    group: str | None
    from_day: date = Field(alias="from")
    from_feed: int
    total_by: AmountBy | None
    items: list[DietItemOut]
    feeds_per_day: int
    feeds: list[PlannedFeedOut] | None
    season: list[float] | None
    season_mean: float | None
    amounts_for: AmountsFor
    total: MassOut | None
    energy_kcal: float | None
    reason: str | None
    status: DietStatus
    recorded_at: datetime
    recorded_by: str
    decided_at: datetime | None
    decided_by: str | None
    decided_as: str | None
    decision_reason: str | None
    findings: list[Finding] = Field(default_factory=list)


class ApprovalIn(Occurrence):
    """A nutritionist, vet or manager lets a diet count."""

    reason: Reason | None = None


class RefusalIn(Occurrence):
    """A proposed diet is not to count."""

    reason: Reason


class PortionOut(BaseModel):
    """What an animal or a group gets of a species at one feed."""

    animal: str | None
    group: str | None
    present: int
    feed: int
    feed_at: datetime
    kind: FeedKind
    species: str
    size_grade: str | None
    mass: MassOut


class NeedOut(BaseModel):
    """The portions of a day, and for whom none could be worked out."""

    day: date
    total: list["SpeciesMass"]
    items: list[PortionOut]
    findings: list[Finding]
    next: str | None = None


class SpeciesMass(BaseModel):
    """So much of a species."""

    species: str
    mass: MassOut


class SubstitutionProposal(BaseModel):
    """Another fish of the same energy for one that is short; nothing changes until accepted."""

    animal: str | None
    group: str | None
    species: str
    mass: MassOut
    substitute: str
    substitute_mass: MassOut
    energy_kcal: float
    kcal_per_kg: float
    substitute_kcal_per_kg: float
    sources: list[str]
    cautions: list[str]


class Substitutes(BaseModel):
    """What may stand in for the species that are short, and what stays short."""

    proposals: list[SubstitutionProposal]
    unmet: list[SpeciesMass]


class SubstitutionIn(Occurrence):
    """A fish that stands in for another on a day, with the same energy."""

    day: Day
    animal: Code | None = None
    group: Code | None = None
    species: Code
    mass: MassIn = Field(description="How much of the species is given up.")
    substitute: Code
    reason: Reason

    @model_validator(mode="after")
    def _one_eater(self) -> Self:
        if (self.animal is None) == (self.group is None):
            raise ValueError("name an animal or a group")
        return self


class SubstitutionOut(BaseModel):
    """A fish that stands in for another in the ration of a day."""

    id: int
    day: date
    animal: str | None
    group: str | None
    species: str
    mass: MassOut
    substitute: str
    substitute_mass: MassOut
    energy_kcal: float
    reason: str
    recorded_at: datetime
    recorded_by: str
    withdrawn_at: datetime | None
    withdrawn_by: str | None
    cautions: list[str] = Field(default_factory=list)


class WithdrawalIn(Occurrence):
    """A substitution that is not to be made after all."""

    reason: Reason


NeedOut.model_rebuild()
