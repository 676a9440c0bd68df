"""Checks as they are sent and shown."""

from datetime import datetime
from typing import Annotated, Self

from pydantic import BaseModel, Field, StringConstraints, model_validator

from service.checks.rules import ABOUT, CheckKind, Equipment, Method, Position, complaints
from service.http.bodies import Code, Note, Number, Occurrence
from service.photos.schemas import PhotoHash
from service.quantities import TemperatureIn, TemperatureOut

CartonWords = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200)]


class CheckIn(Occurrence):
    """Something measured by hand (a core, the air of a place, a tub of thawed fish, a probe in
    melting ice), or something that was cleaned or sanitised."""

    kind: CheckKind
    lot: Code | None = None
    place: Code | None = None
    parcel: Number | None = Field(default=None, description="Which of the lot's parcels there.")
    temperature: TemperatureIn | None = Field(
        default=None, description="Of the fish, the air, or the water of a dishwasher."
    )
    equipment: Equipment | None = Field(
        default=None, description="What was cleaned, where it belongs to no one place."
    )
    site: Code | None = Field(default=None, description="Of equipment. Left out: the only site.")
    method: Method | None = Field(default=None, description="How it was sanitised.")
    contact_minutes: float | None = Field(
        default=None, gt=0, le=1440, description="How long the disinfectant stayed on."
    )
    position: Position | None = Field(
        default=None,
        description="Where the carton stands. Left out: nobody knows, and it does not speak "
        "for the warmest.",
    )
    carton: CartonWords | None = Field(default=None, description="Which carton, in words.")
    excursion: Number | None = Field(
        default=None, description="Left out: every undecided one of the place at that time."
    )
    probe: Code | None = None
    measured: TemperatureIn | None = Field(
        default=None, description="What the probe shows in melting ice."
    )
    note: Note | None = None
    photo: PhotoHash | None = None
    replaces: Number | None = Field(
        default=None, description="An earlier check that was wrong: this one counts instead."
    )

    @model_validator(mode="after")
    def _complete(self) -> Self:
        said = frozenset(name for name in ABOUT if getattr(self, name) is not None)
        found = list(complaints(self.kind, said))
        if found:
            raise ValueError("; ".join(found))
        return self


class CheckOut(BaseModel):
    """A check. `replaced_by`: it was wrong, and that one counts."""

    id: int
    kind: CheckKind
    place: str | None
    lot: str | None
    parcel: int | None
    excursion: int | None
    probe: str | None
    position: Position | None
    carton: str | None
    temperature: TemperatureOut | None
    equipment: Equipment | None
    method: Method | None
    contact_minutes: float | None
    passed: bool | None = Field(
        description="An ice point within the site's tolerance, a tub no warmer than the policy "
        "allows, something sanitised hot or long enough. Null: nothing says so."
    )
    note: str | None
    photo: str | None
    replaces: int | None
    replaced_by: int | None
    occurred_at: datetime
    recorded_at: datetime
    by: str
