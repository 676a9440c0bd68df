"""Labels: what a supplier's says, and ours to print."""

from fastapi import APIRouter, Request
from pydantic import ValidationError

from service.errors import FieldError, Invalid
from service.http.sessions import Now, ReadSession
from service.labels.actions import photos, reading
from service.labels.schemas import LabelOut, LabelTexts
from service.security.guard import MayLook, guarded_router

labels: APIRouter = guarded_router("/labels", "labels")
routers = (labels,)

PHOTOS = ("image/jpeg", "image/png", "image/webp")
_READ_BODY = {
    "requestBody": {
        "required": True,
        "content": {
            "application/json": {"schema": LabelTexts.model_json_schema()},
            **{kind: {"schema": {"type": "string", "format": "binary"}} for kind in PHOTOS},
        },
    }
}


@labels.post("/read", openapi_extra=_READ_BODY)
def read_label(request: Request, session: ReadSession, at: Now, by: MayLook) -> LabelOut:
    """What a label says: texts of its codes as JSON, or a photo. Nothing is stored."""
    said = request.headers.get("content-type", "")
    kind = said.split(";", maxsplit=1)[0].strip().lower()
    body: bytes = request.state.body
    if kind in PHOTOS:
        return reading.read_barcodes(session, photos.barcodes(body), at=at, by=by)
    if kind in ("", "application/json"):
        return reading.read_texts(session, _texts(body), at=at, by=by)
    raise Invalid.at("Content-Type", f"send application/json, {', '.join(PHOTOS)}")


def _texts(body: bytes) -> LabelTexts:
    try:
        return LabelTexts.model_validate_json(body)
    except ValidationError as error:
        found = [
            FieldError(
                ".".join(str(part) for part in each["loc"]) or "body",
                each["msg"].removeprefix("Value error, "),
            )
            for each in error.errors(include_url=False)
        ]
        sentence = "; ".join(f"{e.field}: {e.message}" for e in found[:5])
        raise Invalid(sentence, errors=found) from error
