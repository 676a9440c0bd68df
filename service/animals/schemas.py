"""Animals and their weights as they are sent and shown."""

from datetime import date, datetime

from pydantic import BaseModel, Field

from service.animals.rules import Group, Sex
from service.http.bodies import Code, Day, Name, Occurrence
from service.quantities import MassIn, MassOut


class AnimalIn(Occurrence):
    """An animal to set up."""

    code: Code
    name: Name
    taxon: Name
    group: Group
    sex: Sex = Sex.UNKNOWN
    born_on: Day | None = None
    site: Code | None = Field(default=None, description="Left out: the only site.")


class AnimalOut(BaseModel):
    """An animal."""

    code: str
    name: str
    taxon: str
    group: Group
    sex: Sex
    born_on: date | None
    site: str
    body_mass: MassOut | None = None


class WeightIn(Occurrence):
    """A weighing."""

    mass: MassIn


class WeightOut(BaseModel):
    """A weighing that was recorded."""

    id: int
    animal: str
    mass: MassOut
    occurred_at: datetime
