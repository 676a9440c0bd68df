"""What a form sends becomes the same schema that the API takes.

A field's name is its path: `lot`, `mass.value`, `items.0.grams`. An empty field is one left
out. `datetime-local` fields are read in the site's zone; a comma in an amount is its point.
Names that begin with an underscore are the form's own: `_key` (sent once only), `_back` (the
page it stands on).
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, Any, TypeVar
from zoneinfo import ZoneInfo

from fastapi import Depends, Request
from pydantic import BaseModel, ValidationError
from starlette.datastructures import UploadFile

from service.errors import FieldError, Invalid
from service.http.bodies import UNSTORABLE, storable

Schema = TypeVar("Schema", bound=BaseModel)
LOCAL = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}(:\d{2})?", re.ASCII)
PLACE_IN_A_LIST = re.compile(r"\d{1,6}", re.ASCII)
COMMA = re.compile(r"[+\-\u2212]?\d{1,12},\d{1,9}", re.ASCII)
THOUSANDS = re.compile(r"[+\-\u2212]?[1-9]\d{0,2},\d{3}", re.ASCII)
DEEPEST, LONGEST_LIST = 6, 500


@dataclass(frozen=True)
class Entered:
    """The fields of a form, in order."""

    fields: Sequence[tuple[str, str]]
    files: Mapping[str, UploadFile]

    def text(self, name: str) -> str:
        """The last value of a field; empty where there is none."""
        return next((value for key, value in reversed(self.fields) if key == name), "")

    def read(self, schema: type[Schema], zone: ZoneInfo, **more: Any) -> Schema:
        """The form as a schema of the API. Raises Invalid, naming each field at fault.

        more : values that no field of the form gives (what stands in the address).
        """
        try:
            return schema.model_validate(self.nested(zone) | more)
        except ValidationError as error:
            raise invalid(error) from error

    def nested(self, zone: ZoneInfo) -> dict[str, Any]:
        """Paths unfolded: `items.0.grams` becomes `{"items": [{"grams": …}]}`."""
        tree: dict[str, Any] = {}
        for name, value in self.fields:
            if name.startswith("_") or not value.strip():
                continue
            said = _with_point(value.strip()) if name.endswith(".value") else value.strip()
            _put(tree, name.split("."), _in_zone(name, said, zone))
        filled = _filled(tree)
        return {key: _lists(value) for key, value in (filled or {}).items()}


async def entered(request: Request) -> Entered:
    """The form of a request. Raises Invalid for a character that no text can have."""
    form = await request.form()
    fields = [(key, value) for key, value in form.multi_items() if isinstance(value, str)]
    for key, value in fields:
        if not storable(key) or not storable(value):
            raise Invalid.at(key if storable(key) else "form", UNSTORABLE)
    files = {key: value for key, value in form.multi_items() if isinstance(value, UploadFile)}
    return Entered(fields, files)


Form = Annotated[Entered, Depends(entered)]


def _put(tree: dict[str, Any], path: list[str], value: str) -> None:
    if len(path) > DEEPEST:
        raise Invalid.at(".".join(path), "this field is not known here")
    *parents, last = path
    for parent in parents:
        below = tree.setdefault(parent, {})
        if not isinstance(below, dict):
            raise Invalid.at(".".join(path), "this field is named twice")
        tree = below
    if last in tree and isinstance(tree[last], dict):
        raise Invalid.at(".".join(path), "this field is named twice")
    tree[last] = value


def _filled(value: Any) -> Any:
    """Without what was left empty: a unit alone is no amount. None where nothing is left."""
    if not isinstance(value, dict):
        return value
    if value.keys() == {"unit"}:
        return None
    inside = {key: below for key, part in value.items() if (below := _filled(part)) is not None}
    return inside or None


def _lists(value: Any) -> Any:
    """Mappings whose keys are numbers become lists in the order of the numbers."""
    if not isinstance(value, dict):
        return value
    inside = {key: _lists(below) for key, below in value.items()}
    if all(PLACE_IN_A_LIST.fullmatch(key) for key in inside):
        if len(inside) > LONGEST_LIST:
            raise Invalid.at("form", "too many lines")
        return [inside[key] for key in sorted(inside, key=int)]
    return inside


def _with_point(value: str) -> str:
    """`2,5` as some keypads write it. `1,234` may be meant as a thousand: it stays as it is."""
    if COMMA.fullmatch(value) and not THOUSANDS.fullmatch(value):
        return value.replace(",", ".")
    return value


def _in_zone(name: str, value: str, zone: ZoneInfo) -> str:
    if not LOCAL.fullmatch(value):
        return value
    try:
        local = datetime.fromisoformat(value).replace(tzinfo=zone)
        back = local.astimezone(UTC).astimezone(zone)
    except (ValueError, OverflowError):
        return value
    if back.replace(tzinfo=None) != local.replace(tzinfo=None):
        raise Invalid.at(name, "clocks were put forward over that time: it never was")
    return local.isoformat()


def invalid(error: ValidationError) -> Invalid:
    """What a schema found wrong, field by field."""
    errors = [
        FieldError(".".join(str(part) for part in e["loc"]) or "form", _sentence(e))
        for e in error.errors()
    ]
    return Invalid("; ".join(f"{e.field}: {e.message}" for e in errors[:5]), errors=errors)


def _sentence(error: Any) -> str:
    if error["type"] == "extra_forbidden":
        return "this field is not known here"
    if error["type"] == "missing":
        return "this is needed"
    return str(error["msg"]).removeprefix("Value error, ")
