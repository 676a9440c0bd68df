"""`fishhouse bench` measures what it says. How fast it is, no test asks."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from sqlmodel import Session

from service.bench import databases, processes, reading, storing
from service.bench.figures import Figure
from service.bench.place import LOTS, BenchPlace, fill, opened
from service.clock import system_clock
from service.ledger.queries import parcel_total


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("bench")


@pytest.fixture(scope="module")
def place(folder: Path) -> BenchPlace:
    with databases.empty("sqlite", folder) as address:
        return fill(address, at=system_clock())


def test_the_place_to_measure_in_holds_the_fish_it_says(place: BenchPlace) -> None:
    with opened(place.address) as database, Session(database.snapshot) as session:
        assert parcel_total(session) == LOTS * 640_000, "60 lots of 640 kg"


def test_the_service_and_the_bare_route_are_asked_in_turns_and_answer_alike(
    place: BenchPlace, folder: Path
) -> None:
    found = list(reading.measure(place, folder, "sqlite", 0.5))
    assert [f.target for f in found] == [0.4, 0.6]
    for figure in found:
        assert figure.value > 0 and figure.detail["processor_ratio"] > 0
    ours = json.loads((folder / "list.json").read_bytes())
    assert len(ours["items"]) == 50


def test_a_server_that_refuses_ends_the_measurement(place: BenchPlace, folder: Path) -> None:
    with processes.service(place.address, folder) as server:
        target = {"name": "stranger", "port": server.port, "path": "/v1/lots", "token": None}
        order = {"rounds": 1, "seconds": 0.1, "targets": [target]}
        run = subprocess.run(
            [sys.executable, "-m", "service.bench.load"],
            input=json.dumps(order).encode(),
            capture_output=True,
            check=False,
        )
        assert server.resident_mb() > 0 and server.worked_s() > 0
    assert run.returncode != 0 and b"401" in run.stderr


def test_all_readings_are_stored_on_both_sides_of_the_comparison(place: BenchPlace) -> None:
    (figure,) = storing.measure(place.address, "sqlite", system_clock())
    assert figure.value > 0
    with opened(place.address) as database, database.reader.connect() as connection:
        stored = connection.exec_driver_sql(
            "SELECT substr(probe.code, 1, 3), count(*) FROM reading"
            " JOIN probe ON probe.id = probe_id GROUP BY 1 ORDER BY 1"
        ).all()
    each = storing.ROWS * (storing.ROUNDS + 1)
    assert [tuple(row) for row in stored] == [("AIR", each), ("RAW", each)]


def test_a_figure_says_whether_its_target_is_met() -> None:
    memory = Figure(
        name="memory", database="sqlite", value=131, unit="MB", target=130, less_is_better=True
    )
    assert not memory.met and "MISSED" in memory.sentence()
    assert memory.model_copy(update={"value": 130.0}).met
    ratio = Figure(name="lot", database="sqlite", value=0.4, unit="×", target=0.4)
    assert ratio.met and ratio.model_dump()["met"] is True
