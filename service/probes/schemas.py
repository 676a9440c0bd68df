"""Probes as they are set up and shown."""

from pydantic import BaseModel

from service.http.bodies import Code, Occurrence
from service.probes.rules import ProbeKind


class ProbeIn(Occurrence):
    """A thermometer to set up."""

    code: Code
    place: Code
    kind: ProbeKind = ProbeKind.AIR


class ProbeOut(BaseModel):
    """A thermometer."""

    code: str
    place: str
    kind: ProbeKind
