"""Keeping a photo: first its file, then its row."""

from datetime import datetime
from pathlib import Path

from sqlmodel import Session, SQLModel

from service import files
from service.database import insert_ignoring
from service.errors import Invalid, TooLarge, UnknownMedia
from service.http.bodies import refuse_future
from service.photos.models import Photo
from service.photos.rules import MOST_BYTES, Kept, MediaType, NotAPhoto, NotReadable, kept
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.site.models import Site

TAKEN = ", ".join(MediaType)


def checked(content: bytes, said: str, *, taken_at: datetime | None, at: datetime) -> Kept:
    """The picture as it will be kept; nothing is stored yet.

    Raises Invalid for an empty or damaged body, TooLarge, and UnknownMedia for what is no
    picture, whatever it says it is.
    """
    refuse_future(taken_at, now=at, field="taken_at")
    if not content:
        raise Invalid.at("body", "is empty: send the picture itself as the body")
    if len(content) > MOST_BYTES:
        raise TooLarge(f"the photo has {len(content)} bytes; at most {MOST_BYTES} are kept")
    if said not in tuple(MediaType):
        raise UnknownMedia(f"Content-Type is {said or 'not given'}; a photo is one of {TAKEN}")
    try:
        return kept(content)
    except NotAPhoto as error:
        raise UnknownMedia(f"the body says that it is {said}, but {error}") from error
    except NotReadable as error:
        raise Invalid.at("body", str(error)) from error


def keep(
    session: Session,
    picture: Kept,
    folder: Path,
    *,
    site: str | None,
    taken_at: datetime | None,
    at: datetime,
    by: Actor,
) -> tuple[Photo, Site]:
    """Keep a picture for a site; the same picture again is the photo that is there.

    The file is on the disk before the row is: a row always has its file. Where the
    transaction fails after that, a file that no row names is left, which harms nobody.
    """
    place = sites.site_or_only(session, site, by=by)
    site_id = place.id or 0
    when = sites.happened_at(session, site_id, taken_at, now=at)
    digest = files.keep(folder, picture.content)
    row = {
        "digest": digest,
        "site_id": site_id,
        "media_type": picture.media_type.value,
        "bytes": len(picture.content),
        "width": picture.width,
        "height": picture.height,
        "taken_at": when,
        "recorded_at": at,
        "by": by.name,
    }
    # Two tablets may send one picture at the same moment: both are told its name.
    table = SQLModel.metadata.tables["photo"]
    insert = insert_ignoring(session.get_bind().dialect.name, table).returning(table.c.digest)
    added = session.execute(insert, row).first() is not None
    photo = session.get_one(Photo, (digest, site_id))
    if added:
        audit.note(session, by, "photo kept", digest, at=at, site_id=site_id, after=photo)
    return photo, place
