"""The pull list on paper: every line's code scans to its lot."""

import io
import json
from importlib.resources import files

import typst
import zxingcpp
from PIL import Image

from service.labels.actions.pull_sheet import words
from service.site import queries as sites
from service.thawing.actions.listing import pull_list
from tests.kitchen import Kitchen, day

FED = day("2026-11-26")


def planned(kitchen: Kitchen, species: str) -> None:
    kitchen.keeper.made(
        "/thaw-requests",
        {
            "first_feed_at": "2026-11-26T08:00:00Z",
            "last_feed_at": "2026-11-26T16:00:00Z",
            "thaw_place": "TANK1",
            "lines": [{"species": species, "mass": "25 kg"}],
        },
    )


def test_the_list_prints_and_each_code_scans_to_the_lot_of_its_line(
    small_kitchen: Kitchen,
) -> None:
    kitchen = small_kitchen
    lots = {kitchen.a_lot(species)["code"] for species in ("HER", "CAP")}
    for species in ("HER", "CAP"):
        planned(kitchen, species)
    printed = kitchen.keeper.get("/pull-list/sheet", params={"day": str(FED)})
    assert printed.headers["content-type"] == "application/pdf"
    assert printed.content.startswith(b"%PDF-")
    page = drawn(kitchen)
    assert {found.text for found in zxingcpp.read_barcodes(page)} == lots


def drawn(kitchen: Kitchen) -> Image.Image:
    """The same list as a picture."""
    with kitchen.looking() as session:
        view = sites.view(session, 1, at=kitchen.clock())
        lines = pull_list(session, view, FED, now=kitchen.clock())
    said = words(lines, view, day=FED, at=kitchen.clock())
    template = files("service").joinpath("labels", "data", "pulls.typ").read_bytes()
    png = typst.compile(template, format="png", ppi=150, sys_inputs={"pulls": json.dumps(said)})
    assert isinstance(png, bytes)
    return Image.open(io.BytesIO(png))


def test_a_day_without_pulls_prints_a_list_that_says_so(small_kitchen: Kitchen) -> None:
    with small_kitchen.looking() as session:
        view = sites.view(session, 1, at=small_kitchen.clock())
    said = words([], view, day=FED, at=small_kitchen.clock())
    assert said["nothing"]
    printed = small_kitchen.keeper.get("/pull-list/sheet", params={"day": str(FED)})
    assert printed.content.startswith(b"%PDF-")


def test_blocks_are_written_in_cartons_and_loose_fish_by_mass(small_kitchen: Kitchen) -> None:
    for species in ("HER", "CAP"):
        small_kitchen.a_lot(species)
        planned(small_kitchen, species)
    with small_kitchen.looking() as session:
        view = sites.view(session, 1, at=small_kitchen.clock())
        lines = pull_list(session, view, FED, now=small_kitchen.clock())
    said = words(lines, view, day=FED, at=small_kitchen.clock())["lines"]
    assert {line["amount"] for line in said} == {"3 × block: 30 kg", "25 kg iqf"}
