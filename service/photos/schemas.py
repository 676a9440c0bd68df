"""Photos as they are shown."""

from datetime import datetime
from typing import Annotated

from pydantic import BaseModel, StringConstraints

from service.files import HASH
from service.photos.rules import MediaType

PhotoHash = Annotated[str, StringConstraints(pattern=HASH)]
"""The SHA-256 of a kept photo, as `POST /v1/photos` gave it."""


class PhotoOut(BaseModel):
    """A photo that is kept."""

    photo: str
    site: str
    media_type: MediaType
    bytes: int
    width: int
    height: int
    taken_at: datetime
    recorded_at: datetime
    by: str
