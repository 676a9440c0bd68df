"""Every select of photos."""

from collections.abc import Iterable

from sqlmodel import Session, col, select

from service.errors import NotFound
from service.photos.models import Photo
from service.security.actor import Actor


def photo_seen(session: Session, digest: str, *, by: Actor) -> Photo:
    """The photo of this SHA-256 at a site that somebody sees.

    Raises NotFound, and NotAllowed where only other sites have it. One query.
    """
    found = session.exec(select(Photo).where(col(Photo.digest) == digest)).all()
    if not found:
        raise NotFound.of("photo", digest, "photo")
    seen = [photo for photo in found if by.sees(photo.site_id)]
    if not seen:
        by.ensure_site(found[0].site_id)
    return seen[0]


def missing(session: Session, digests: Iterable[str], *, site_id: int) -> frozenset[str]:
    """Which of these photos the site does not have. One query."""
    wanted = frozenset(digests)
    if not wanted:
        return wanted
    known = select(Photo.digest).where(
        col(Photo.site_id) == site_id, col(Photo.digest).in_(sorted(wanted))
    )
    return wanted - frozenset(session.exec(known).all())
