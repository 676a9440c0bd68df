"""Photos: keeping one, looking at one."""

from typing import Annotated

from fastapi import APIRouter, Path, Query, Request, Response

from service import files
from service.errors import NotFound
from service.files import HASH
from service.http.bodies import Code, Moment
from service.http.sessions import Now, ReadSession, WriteSession
from service.photos import actions, queries
from service.photos.models import Photo
from service.photos.rules import MediaType
from service.photos.schemas import PhotoOut
from service.security.guard import MayLook, MayReceive, guarded_router
from service.site.models import Site

router: APIRouter = guarded_router("/photos", "photos")

_PICTURE = {"schema": {"type": "string", "format": "binary"}}
_PICTURES = {kind.value: _PICTURE for kind in MediaType}


@router.post(
    "",
    status_code=201,
    openapi_extra={"requestBody": {"required": True, "content": _PICTURES}},
)
def keep_photo(
    request: Request,
    session: WriteSession,
    at: Now,
    by: MayReceive,
    site: Annotated[Code | None, Query(description="Left out: the only one.")] = None,
    taken_at: Annotated[Moment | None, Query(description="Left out: now.")] = None,
) -> PhotoOut:
    """Keep a photo: the picture itself as body, at most 15 MB.

    Position and everything else that the camera wrote into it is dropped; the picture is
    turned upright. `photo` names it from here on; the same picture again has the same name.
    """
    said = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    picture = actions.checked(request.state.body, said, taken_at=taken_at, at=at)
    folder = request.app.state.settings.data_dir
    photo, place = actions.keep(
        session, picture, folder, site=site, taken_at=taken_at, at=at, by=by
    )
    return _out(photo, place)


@router.get(
    "/{photo}",
    response_class=Response,
    responses={200: {"content": _PICTURES, "description": "The picture."}},
)
def get_photo(
    photo: Annotated[str, Path(pattern=HASH)], request: Request, session: ReadSession, by: MayLook
) -> Response:
    """A photo as it is kept."""
    found = queries.photo_seen(session, photo, by=by)
    content = files.read(request.app.state.settings.data_dir, photo)
    if content is None:
        raise NotFound(
            f"the file of photo {photo} is missing or damaged",
            kind="unknown-photo",
            advice="Bring the files of the data folder back from the last copy.",
        )
    kind = MediaType(found.media_type)
    headers = {
        "Content-Disposition": f'inline; filename="{photo[:16]}.{kind.ending}"',
        "X-Content-Type-Options": "nosniff",
        "Content-Security-Policy": "default-src 'none'; sandbox",
        "Cache-Control": "private, max-age=31536000, immutable",
    }
    return Response(content, headers=headers, media_type=kind.value)


def _out(photo: Photo, site: Site) -> PhotoOut:
    return PhotoOut(
        photo=photo.digest,
        site=site.code,
        media_type=MediaType(photo.media_type),
        **photo.model_dump(exclude={"digest", "site_id", "media_type"}),
    )
