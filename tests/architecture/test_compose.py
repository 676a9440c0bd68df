"""The system of several machines, as far as it can be checked without containers.

The same processes without containers: `tests/races/test_two_processes.py`.
"""

import json
import subprocess
import sys
from typing import Any

import pytest
from ruamel.yaml import YAML

from service.cli import _parser
from service.settings import Settings
from tests.architecture.addresses import ROOT

FILE = ROOT / "docker-compose.yml"


@pytest.fixture(scope="module")
def compose() -> Any:
    """The file with its anchors and merges resolved."""
    return YAML(typ="safe").load(FILE)


def test_the_compose_file_fits_the_schema_of_the_compose_specification() -> None:
    # compose-spec.json of the Compose Specification, as check-jsonschema carries it.
    command = ["--builtin-schema", "vendor.compose-spec", str(FILE)]
    answer = subprocess.run(
        [sys.executable, "-m", "check_jsonschema", *command],
        check=False,
        capture_output=True,
        text=True,
    )
    assert answer.returncode == 0, answer.stdout + answer.stderr


def test_two_processes_answer_behind_a_proxy_and_one_works_in_the_background(compose: Any) -> None:
    services = compose["services"]
    assert services["api"]["deploy"]["replicas"] == 2
    assert services["worker"]["command"] == ["fishhouse", "worker"]
    assert list(services["proxy"]["depends_on"]) == ["api"]
    assert "ports" not in services["api"], "only the proxy is reached from outside"
    assert "ports" not in services["database"]


def test_a_photo_that_one_process_keeps_is_found_by_the_other(compose: Any) -> None:
    folder = f"{compose['services']['api']['volumes'][0]}".partition(":")[2]
    assert f"FISHHOUSE_DATA_DIR={folder}" in (ROOT / "Dockerfile").read_text()
    assert "files" in compose["volumes"]


def test_nothing_starts_before_the_database_is_migrated(compose: Any) -> None:
    services = compose["services"]
    assert services["migrate"]["depends_on"]["database"]["condition"] == "service_healthy"
    for name in ("api", "worker", "listener"):
        waits = services[name]["depends_on"]["migrate"]["condition"]
        assert waits == "service_completed_successfully"


def test_every_command_in_the_files_is_one_that_fishhouse_knows(compose: Any) -> None:
    dockerfile = (ROOT / "Dockerfile").read_text()
    command = next(line for line in dockerfile.splitlines() if line.startswith("CMD "))
    commands = [json.loads(command.removeprefix("CMD "))]
    commands += [s["command"] for s in compose["services"].values() if "command" in s]
    assert len(commands) == 4
    for program, *arguments in commands:
        assert program == "fishhouse"
        _parser().parse_args(arguments)  # ends the test where it is not known


def test_every_variable_given_to_the_service_is_a_setting(compose: Any) -> None:
    known = {f"FISHHOUSE_{name.upper()}" for name in Settings.model_fields}
    for name in ("api", "worker", "migrate", "listener"):
        assert set(compose["services"][name]["environment"]) <= known
    assert compose["services"]["api"]["environment"]["FISHHOUSE_RUN_WATCH"] == "false"


def test_the_proxy_lets_through_what_the_service_reads(compose: Any) -> None:
    written = compose["configs"]["proxy"]["content"].replace("$$", "$")
    most = Settings.model_fields["max_body_bytes"].default
    assert f"client_max_body_size {most // 1024**2}m;" in written
    assert "server api:8000" in written


def test_the_image_does_not_run_as_root() -> None:
    lines = (ROOT / "Dockerfile").read_text().splitlines()
    users = [line for line in lines if line.startswith("USER ")]
    assert users and users[-1] != "USER root"
    assert lines.index(users[-1]) < next(i for i, line in enumerate(lines) if "CMD" in line)


def test_the_hooks_before_a_commit_can_be_read_by_pre_commit() -> None:
    config = ROOT / ".pre-commit-config.yaml"
    answer = subprocess.run(
        [sys.executable, "-m", "pre_commit", "validate-config", str(config)],
        check=False,
        capture_output=True,
        text=True,
    )
    assert answer.returncode == 0, answer.stdout + answer.stderr
