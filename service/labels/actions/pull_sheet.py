"""A day's pull list on paper, with a code to scan on each line."""

import json
from collections.abc import Sequence
from datetime import date, datetime
from importlib.resources import files
from typing import Any

from service.labels.actions.drawing import symbol
from service.quantities import MassOut
from service.site.queries import SiteView
from service.thawing.schemas import PullLine

HEAD = ("cartons' code", "pull until", "how much of what", "from, to, then", "done")


def draw(lines: Sequence[PullLine], view: SiteView, *, day: date, at: datetime) -> bytes:
    """The list as a PDF. Cost: about 10 ms for the page, and 2 ms a lot."""
    import typst  # noqa: PLC0415 - heavy, and only for paper

    template = files("service").joinpath("labels", "data", "pulls.typ").read_bytes()
    drawn: bytes | list[bytes] = typst.compile(
        template,
        format="pdf",
        ignore_system_fonts=True,
        sys_inputs={"pulls": json.dumps(words(lines, view, day=day, at=at))},
    )
    return drawn[0] if isinstance(drawn, list) else drawn


def words(lines: Sequence[PullLine], view: SiteView, *, day: date, at: datetime) -> dict[str, Any]:
    """All that stands on the list, as its template takes it; instants in the site's zone."""
    return {
        "title": f"Pull list for {day:%Y-%m-%d}",
        "site": view.code,
        "head": HEAD,
        "nothing": "Nothing is to be pulled for this day.",
        "lines": [_line(line, view) for line in lines],
        "symbols": {code: symbol(code) for code in {line.scan for line in lines}},
        "footer": f"printed {_instant(at, view)}; the list changes when fish or time is lost: "
        "look at the newest before you pull",
    }


def _line(line: PullLine, view: SiteView) -> dict[str, str]:
    cartons = "" if line.cartons is None else f"{line.cartons} × "
    return {
        "scan": line.scan,
        "until": _instant(line.pull_not_after, view),
        "from": f"not before {_instant(line.pull_not_before, view)}",
        "state": "pulled" if line.done else "late" if line.late else "",
        "amount": f"{cartons}{line.form}: {_mass(line.mass)}"
        if cartons
        else f"{_mass(line.mass)} {line.form}",
        "fish": f"{line.name} ({line.species})",
        "lot": line.lot,
        "way": f"{line.from_place} → {line.to_place}",
        "then": line.then or "",
        "clock": f"discard after {_instant(line.discard_after, view)}",
    }


def _mass(mass: MassOut) -> str:
    return f"{mass.value:g} {mass.unit}"


def _instant(at: datetime, view: SiteView) -> str:
    return f"{at.astimezone(view.zone):%Y-%m-%d %H:%M}"
