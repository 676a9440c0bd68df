"""The hot reads over HTTP against the bare route, and what an idle service weighs."""

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from statistics import median
from urllib.request import Request, urlopen

from service.bench import bare, processes
from service.bench.figures import Figure
from service.bench.place import BenchPlace
from service.bench.processes import Server

ROUND_S = 0.5
LIST = "/v1/lots?limit=50"
TARGETS = {"sqlite": {"lot": 0.4, "list": 0.6}, "postgresql": {"lot": 0.3, "list": 0.4}}
MEMORY_MB, FIRST_ANSWER_S = 130, 2.0


def measure(place: BenchPlace, folder: Path, kind: str, seconds: float) -> Iterator[Figure]:
    """One lot and fifty lots, each in turns with the bare route. Takes 2 × `seconds` each."""
    with processes.service(place.address, folder) as ours:
        paths = {"lot": f"/v1/lots/{place.lot}", "list": LIST}
        for name, path in paths.items():
            (folder / f"{name}.json").write_bytes(_answer(ours, path, place.token))
        with processes.bare({bare.ROWS: str(folder)}, folder) as theirs:
            for name, path in paths.items():
                yield _compare(kind, name, path, ours, theirs, place.token, seconds)


def _answer(server: Server, path: str, token: str) -> bytes:
    request = Request(
        f"http://127.0.0.1:{server.port}{path}", headers={"Authorization": f"Bearer {token}"}
    )
    with urlopen(request, timeout=10) as answer:
        body: bytes = answer.read()
        return body


def _compare(
    kind: str, name: str, path: str, ours: Server, theirs: Server, token: str, seconds: float
) -> Figure:
    order = {
        "rounds": max(2, round(seconds / ROUND_S)),
        "seconds": ROUND_S,
        "targets": [
            {"name": "service", "port": ours.port, "path": path, "token": token},
            {"name": "bare", "port": theirs.port, "path": path, "token": None},
        ],
    }
    before = [server.worked_s() for server in (ours, theirs)]
    said = subprocess.run(
        [sys.executable, "-m", "service.bench.load"],
        input=json.dumps(order).encode(),
        stdout=subprocess.PIPE,
        check=True,
    )
    after = [server.worked_s() for server in (ours, theirs)]
    turns = json.loads(said.stdout)
    rates = {who: [answers / taken for answers, taken in found[1:]] for who, found in turns.items()}
    pairs = zip(rates["service"], rates["bare"], strict=True)
    mine, bare_ = (
        (ended - begun) / sum(answers for answers, _ in turns[who])
        for begun, ended, who in zip(before, after, ("service", "bare"), strict=True)
    )
    return Figure(
        name=f"{name} over HTTP, token check included",
        database=kind,
        value=round(median(own / other for own, other in pairs), 3),
        unit="× bare route",
        target=TARGETS[kind][name],
        detail={
            "service_per_s": round(median(rates["service"])),
            "bare_per_s": round(median(rates["bare"])),
            # Of processor time alone, which does not care how busy the machine is.
            "processor_ratio": round(bare_ / mine, 3),
            "service_processor_ms": round(mine * 1000, 3),
        },
    )


def weigh(place: BenchPlace, folder: Path, kind: str) -> Iterator[Figure]:
    """Time from start to the first answer, of three starts; memory when idle after it."""
    starts, worked, weights = [], [], []
    for _ in range(3):
        with processes.service(place.address, folder) as server:
            starts.append(server.first_answer_s)
            worked.append(server.worked_s())
            _answer(server, LIST, place.token)
            time.sleep(1)  # what is only needed at the start has been given back
            weights.append(server.resident_mb())
    yield Figure(
        name="start to first answer",
        database=kind,
        value=round(median(starts), 2),
        unit="s",
        target=FIRST_ANSWER_S,
        less_is_better=True,
        detail={"processor_s": round(median(worked), 2), "slowest_s": round(max(starts), 2)},
    )
    yield Figure(
        name="memory, idle",
        database=kind,
        value=round(max(weights), 1),
        unit="MB",
        target=MEMORY_MB,
        less_is_better=True,
    )
