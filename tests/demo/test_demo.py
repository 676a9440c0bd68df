"""The first command of the README, run once as a person runs it."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROW = re.compile(r"^ {5}([a-z ]+?)\s{2,}(-?[\d ]+) g$", re.MULTILINE)
ASKED = re.compile(r"^ {5}(GET|POST) /v1(\S+) +(\w+) +(\d{3})$", re.MULTILINE)
LONGEST_LINE = 80

pytestmark = pytest.mark.xdist_group("demo")  # one run of the demo serves them all


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> str:
    """What `fishhouse demo --once` prints, in a folder of its own."""
    folder = tmp_path_factory.mktemp("demo")
    environment = os.environ | {"FISHHOUSE_DATABASE_URL": f"sqlite:///{folder / 'not-this.db'}"}
    done = subprocess.run(
        [sys.executable, "-m", "service.cli", "demo", "--once", "--folder", str(folder / "data")],
        capture_output=True,
        text=True,
        env=environment,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert not (folder / "not-this.db").exists(), "the demo leaves a configured database alone"
    return done.stdout


def test_the_books_of_the_demo_balance_to_the_gram(printed: str) -> None:
    rows = {name: int(said.replace(" ", "")) for name, said in ROW.findall(printed)}
    received, over = rows.pop("received"), rows.pop("unaccounted for")
    assert {"in stock", "eaten", "left", "discarded"} <= rows.keys()
    assert all(rows[name] > 0 for name in ("in stock", "eaten", "left", "discarded"))
    assert received == sum(rows.values())
    assert over == 0
    assert "intake say the same" in " ".join(printed.split())


def test_the_demo_shows_what_is_refused_and_by_which_rule(printed: str) -> None:
    refused = [path for _, path, _, status in ASKED.findall(printed) if status == "409"]
    assert refused.count("/pulls") == 2
    assert "/feeds" in refused
    for rule in (
        "catch-date-missing",
        "older-lot-first",
        "lot-on-hold",
        "clock-from-freezer",
        "no-refreeze",
        "not-signed",
        "already-given",
    ):
        assert f"     {rule}: " in printed
    assert "not-allowed: a keeper may not sign supplements" in printed


def test_the_demo_records_what_has_happened_all_the_same(printed: str) -> None:
    fact = printed[printed.index("a fact is recorded") :]
    assert ASKED.findall(fact)[0][1:] == ("/pulls", "Tilde", "201")
    assert "breach older-lot-first: use lot HER" in fact


def test_the_demo_tells_a_year_with_an_open_door_and_a_dead_probe(printed: str) -> None:
    words = " ".join(printed.split())
    counted = re.search(r"(\d+) deliveries, ([\d,]+) readings of 5 probes, (\d+) excursions", words)
    assert counted is not None
    # Four freezers for 365 days and a refrigerator for 30, a reading every five minutes.
    assert int(counted[2].replace(",", "")) > (4 * 364 + 30) * 288
    assert int(counted[3]) == 2
    night = re.search(r"the night took ([\d.]+) %, as much as ([\d.]+) ordinary days", words)
    assert night is not None
    assert float(night[2]) > 1, "nine warm hours cost more than a day of cold"
    assert "the chain holds" in words


def test_the_demo_fits_a_terminal_of_80_columns(printed: str) -> None:
    assert max(len(line) for line in printed.splitlines()) <= LONGEST_LINE


def test_the_demo_deletes_no_folder_but_its_own(tmp_path: Path) -> None:
    letter = tmp_path / "letter.txt"
    letter.write_text("keep me")
    done = subprocess.run(
        [sys.executable, "-m", "service.cli", "demo", "--once", "--folder", str(tmp_path)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert "is not a folder of the demo" in done.stderr
    assert letter.read_text() == "keep me"
