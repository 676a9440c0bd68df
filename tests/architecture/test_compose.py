"""The system of several machines is described in a form that any Compose tool can read."""

import subprocess
import sys

from tests.architecture.addresses import ROOT


def test_the_compose_file_follows_the_compose_specification() -> None:
    """The Compose specification's own JSON schema, as check-jsonschema ships it."""
    checked = subprocess.run(
        [
            sys.executable,
            "-m",
            "check_jsonschema",
            "--builtin-schema",
            "vendor.compose-spec",
            str(ROOT / "docker-compose.yml"),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert checked.returncode == 0, checked.stdout + checked.stderr
