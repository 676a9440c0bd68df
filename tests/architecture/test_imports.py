"""One direction of imports; and the contracts bite when somebody imports the wrong way."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.architecture.addresses import ROOT

CHECK = "from importlinter.cli import lint_imports; raise SystemExit(lint_imports(no_cache=True))"


def checked(folder: Path) -> subprocess.CompletedProcess[str]:
    """The contracts of pyproject.toml on the package in a folder."""
    return subprocess.run(
        [sys.executable, "-c", CHECK],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(folder)},
        capture_output=True,
        text=True,
        check=False,
    )


def test_everything_imports_downwards() -> None:
    found = checked(ROOT)
    assert found.returncode == 0, found.stdout + found.stderr


FAULTS = {
    "Parts, from the door down to the physics": (
        "lots/queries.py",
        "from service.ledger import queries as wrong",
    ),
    "Inside a part, a request comes in at the top": (
        "animals/queries.py",
        "from service.animals import actions as wrong",
    ),
    "Rules and science touch no database, web framework or clock": (
        "thawing/rules/clocks.py",
        "from service import clock as wrong",
    ),
    "Only the ledger writes the books": (
        "thawing/actions/planning.py",
        "from service.ledger.models import Parcel as wrong",
    ),
    "Nothing imports a route but the application": (
        "feeding/actions/recording.py",
        "from service.animals.routes import router as wrong",
    ),
}


@pytest.mark.parametrize("contract", FAULTS)
def test_an_import_in_the_wrong_direction_is_found(contract: str, tmp_path: Path) -> None:
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    shutil.copytree(
        ROOT / "service", tmp_path / "service", ignore=shutil.ignore_patterns("__pycache__")
    )
    name, line = FAULTS[contract]
    path = tmp_path / "service" / name
    path.write_text(f"{path.read_text()}\n{line}\n")
    found = checked(tmp_path)
    assert found.returncode != 0
    assert f"{contract} BROKEN" in found.stdout, found.stdout + found.stderr


def test_a_new_part_must_be_given_its_place_in_the_order(tmp_path: Path) -> None:
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    shutil.copytree(
        ROOT / "service", tmp_path / "service", ignore=shutil.ignore_patterns("__pycache__")
    )
    (tmp_path / "service" / "utils.py").write_text('"""Odds and ends."""\n')
    found = checked(tmp_path)
    assert found.returncode != 0
    assert "utils" in found.stdout + found.stderr
