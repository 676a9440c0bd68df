"""Sites, places and policy as they are sent and shown."""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, ConfigDict, Field, field_validator

from service.http.bodies import Body, Code, Name, Occurrence, Reason
from service.quantities import MassIn, MassOut, MassUnit, TemperatureOut, TemperatureUnit
from service.site.models import Deviation, Place, Site
from service.site.rules import PlaceKind


class SiteIn(Body):
    """What a site may change about itself; fields left out stay as they are."""

    name: Name | None = None
    timezone: str | None = Field(default=None, max_length=64, examples=["Europe/Oslo"])
    mass_unit: MassUnit | None = None
    temperature_unit: TemperatureUnit | None = None

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, value: str | None) -> str | None:
        if value is not None:
            try:
                ZoneInfo(value)
            except (ZoneInfoNotFoundError, ValueError, OSError) as error:
                raise ValueError(f"no time zone is called {value!r}") from error
        return value

    @field_validator("mass_unit")
    @classmethod
    def _kilograms_or_pounds(cls, value: MassUnit | None) -> MassUnit | None:
        if value not in (None, MassUnit.KG, MassUnit.LB):
            raise ValueError("a site writes masses in kg or lb")
        return value


class NewSite(SiteIn):
    """A further site of the organisation."""

    code: Code
    name: Name
    timezone: str = "UTC"
    mass_unit: MassUnit = MassUnit.KG
    temperature_unit: TemperatureUnit = TemperatureUnit.C


class SiteOut(BaseModel):
    """A site, its zone and its units."""

    model_config = ConfigDict(from_attributes=True)

    code: str
    name: str
    timezone: str
    mass_unit: MassUnit
    temperature_unit: TemperatureUnit
    version: int


class PlaceIn(Occurrence):
    """A place to set up."""

    code: Code
    name: Name
    kind: PlaceKind
    site: Code | None = Field(default=None, description="Left out: the only site.")
    parent: Code | None = Field(default=None, description="The place that this one is in.")
    capacity: MassIn | None = Field(
        default=None, description="How much fish it holds at once; left out: not known."
    )


class PlaceChange(Occurrence):
    """What may change about a place; fields left out stay as they are."""

    name: Name | None = None
    capacity: MassIn | None = Field(
        default=None, description="How much fish it holds at once; null: not known any more."
    )


class PlaceOut(BaseModel):
    """A place and the limit in force there."""

    code: str
    name: str
    kind: PlaceKind
    site: str
    parent: str | None
    limit: TemperatureOut | None
    capacity: MassOut | None

    @classmethod
    def of(
        cls,
        place: Place,
        site: Site,
        *,
        parent: str | None,
        limit: TemperatureOut | None,
        capacity: MassOut | None,
    ) -> "PlaceOut":
        """A stored place as it is shown."""
        return cls(
            code=place.code,
            name=place.name,
            kind=PlaceKind(place.kind),
            site=site.code,
            parent=parent,
            limit=limit,
            capacity=capacity,
        )


class PolicyChange(Occurrence):
    """Figures that a site sets for itself, from now on."""

    changes: dict[str, float | bool | str] = Field(min_length=1, max_length=100)
    reason: Reason


class PolicyOut(BaseModel):
    """A site's policy and the version of it."""

    site: str
    version: int
    from_at: datetime | None
    reason: str | None
    by: str | None
    figures: dict[str, Any]


class RuleFigure(BaseModel):
    """One figure of a rule: in force, its default, and where it comes from."""

    key: str
    value: float | bool | str
    default: float | bool | str
    unit: str | None
    source: str
    flag: str | None


class RuleOut(BaseModel):
    """One rule: what it says, how hard it is, who may override it, its figures in force."""

    id: str
    says: str
    severity: str
    source: str
    may_override: list[str]
    figures: list[RuleFigure]
    policy_version: int


class DeviationOut(BaseModel):
    """Something done against a rule."""

    model_config = ConfigDict(from_attributes=True)

    id: int
    kind: str
    subject: str
    rule: str
    because: str
    numbers: dict[str, Any]
    reason: str | None
    occurred_at: datetime
    recorded_at: datetime
    by: str
    policy_version: int

    @classmethod
    def of(cls, row: Deviation) -> "DeviationOut":
        """A stored deviation as it is shown."""
        return cls.model_validate(row)
