"""Photos: what is known of them; the pictures themselves lie in files."""

from sqlmodel import Field, SQLModel

from service.database import Instant


class Photo(SQLModel, table=True):
    """A picture that belongs to a site, by the SHA-256 of its file."""

    digest: str = Field(primary_key=True)
    site_id: int = Field(foreign_key="site.id", primary_key=True)
    media_type: str
    bytes: int
    width: int
    height: int
    taken_at: Instant
    recorded_at: Instant
    by: str
