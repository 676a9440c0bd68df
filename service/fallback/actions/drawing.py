"""A sheet on paper, drawn by typst: words come in as data, never as source."""

import json
import os
import subprocess
import sys
from collections.abc import Iterator, Mapping
from datetime import datetime
from importlib.resources import files
from typing import Any

from sqlmodel import Session

from service.catalogue.rules import species_facts
from service.fallback.models import FallbackSheet
from service.labels.actions.drawing import symbol
from service.site.models import Site
from service.site.queries import SiteView

LONGEST_S = 300
HOW = (
    "Write what was offered, eaten and left on each line, the batch where it is empty, the time, "
    "and your initials. Nothing offered: write why. Enter it later, by sheet and line; twice does "
    "no harm."
)
BY_HAND = (
    "Supplements that are in no fish below. Record these under their plan afterwards: they are "
    "not entered with this sheet."
)
CAUTION = (
    "Discard what its batch's time has passed, and all that is left over. A piece that was spat "
    "out or not seen to be taken is not given again: ask the vet."
)


def draw(session: Session, sheet: FallbackSheet, view: SiteView) -> bytes:
    """The sheet as a PDF. Cost: one query, a quarter of a second and a millisecond a line."""
    return paper(words(sheet, view, session.get_one(Site, sheet.site_id).name))


def draw_apart(session: Session, sheet: FallbackSheet, view: SiteView) -> bytes:
    """The same in a process of its own, which gives the 80 MB back that typst keeps."""
    said = words(sheet, view, session.get_one(Site, sheet.site_id).name)
    done = subprocess.run(
        [sys.executable, "-m", __name__],
        input=json.dumps(said).encode(),
        stdout=subprocess.PIPE,
        check=True,
        timeout=LONGEST_S,
    )
    return done.stdout


def paper(said: dict[str, Any]) -> bytes:
    """A PDF of the words of a sheet."""
    import typst  # noqa: PLC0415 - heavy, and only for paper

    template = files("service").joinpath("fallback", "data", "sheet.typ").read_bytes()
    drawn: bytes | list[bytes] = typst.compile(
        template,
        format="pdf",
        ignore_system_fonts=True,
        sys_inputs={"sheet": json.dumps(said | {"symbol": symbol(said["code"])})},
    )
    return drawn[0] if isinstance(drawn, list) else drawn


def words(sheet: FallbackSheet, view: SiteView, site: str) -> dict[str, Any]:
    """Everything that stands on the sheet, as the template takes it."""
    document = sheet.document
    return {
        "site": site,
        "code": sheet.code,
        "day": f"{sheet.day:%A %-d %B %Y}",
        "made": f"made {_instant(sheet.recorded_at.isoformat(), view)} {_zone(sheet, view)}",
        "unit": view.units.mass,
        "how": HOW,
        "caution": CAUTION,
        "batches": [_batch(each, view) for each in document["batches"]],
        "fasting": [f"{code}: {reason}" for code, reason in document["fasting"].items()],
        "record_by_hand": BY_HAND,
        "by_hand": [_by_hand(each, view) for each in document.get("by_hand", ())],
        "feeds": list(_feeds(document["lines"], view)),
    }


def _feeds(lines: list[Any], view: SiteView) -> Iterator[dict[str, Any]]:
    """Lines under the time of their feed."""
    feeds: dict[str, list[Any]] = {}
    for line in lines:
        feeds.setdefault(line["feed_at"], []).append(line)
    for feed_at, of_it in feeds.items():
        at = datetime.fromisoformat(feed_at).astimezone(view.zone)
        yield {"at": f"{at:%H:%M}", "lines": [_line(line, view) for line in of_it]}


def _line(line: Mapping[str, Any], view: SiteView) -> dict[str, Any]:
    where = f" · {line['station']}" if line["station"] else ""
    kind = "" if line["kind"] == "meal" else f" · {line['kind']}"
    return {
        "number": str(line["line"]),
        "name": line["name"],
        "code": f"{line['whose']}{where}{kind}",
        "group": line["group_id"] is not None,
        "bucket": line["bucket"] or "",
        "fish": [
            {
                "species": f"{each['species']} {species_facts()[each['species']].name}",
                "mass": _mass(each["grams"], view),
                "batch": each["thaw_batch"] or "",
            }
            for each in line["fish"]
        ],
        "pieces": [
            {
                "number": str(piece["number"]),
                "says": f"{piece['count']:g} × {piece['item']} for {piece['animal']}"
                + (f" in {piece['fish']}" if piece["fish"] else "")
                + (f" (ordered for feed {piece['meant']})" if piece.get("meant") else ""),
                "medicine": piece["kind"] == "medication",
            }
            for piece in line["pieces"]
        ],
    }


def _by_hand(each: Mapping[str, Any], view: SiteView) -> dict[str, str]:
    at = datetime.fromisoformat(each["at"]).astimezone(view.zone) if each["at"] else None
    return {
        "at": f"{at:%H:%M}" if at else "",
        "name": each["name"],
        "code": each["animal"],
        "says": f"{each['count']:g} × {each['item']}",
        "how": each["how"],
        "plan": f"plan {each['plan']}",
    }


def _batch(each: Mapping[str, Any], view: SiteView) -> list[str]:
    return [
        each["code"],
        each["species"],
        each["place"],
        _mass(each["grams"], view),
        _instant(each["discard_after"], view),
    ]


def _mass(grams: int, view: SiteView) -> str:
    shown = view.units.mass_out(grams)
    return f"{shown.value:g} {shown.unit}"


def _instant(said: str, view: SiteView) -> str:
    return f"{datetime.fromisoformat(said).astimezone(view.zone):%a %-d %b %H:%M}"


def _zone(sheet: FallbackSheet, view: SiteView) -> str:
    return sheet.recorded_at.astimezone(view.zone).tzname() or ""


def _draw_for_another() -> None:
    """The process of `draw_apart`. Who asked may have been killed meanwhile: nobody reads it."""
    try:
        sys.stdout.buffer.write(paper(json.load(sys.stdin)))
        sys.stdout.buffer.flush()
    except (BrokenPipeError, json.JSONDecodeError):
        os._exit(1)  # without the flush at the end, which would fail once more


if __name__ == "__main__":
    _draw_for_another()
