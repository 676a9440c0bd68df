"""What is written for people is true."""

import re

from service.settings import Settings
from tests.architecture.addresses import ROOT, table


def test_the_table_of_addresses_in_developers_md_is_the_real_one() -> None:
    assert table() in (ROOT / "DEVELOPERS.md").read_text(), (
        "run `python -m tests.architecture.addresses` and paste its output"
    )


def test_every_setting_is_explained_in_the_readme() -> None:
    readme = (ROOT / "README.md").read_text()
    for name, field in Settings.model_fields.items():
        assert f"FISHHOUSE_{name.upper()}" in readme
        assert field.description


def test_the_test_line_that_ci_runs_is_the_readmes() -> None:
    readme = (ROOT / "README.md").read_text()
    line = next(row for row in readme.splitlines() if row.endswith("/bin/pytest"))
    assert line in (ROOT / ".ci" / "run").read_text()


def test_no_committed_document_names_a_machines_path_or_a_registry() -> None:
    pattern = re.compile(r"(^|[^A-Za-z0-9])/(work|farm|root)/[A-Za-z.]|pypi\.org|npmjs")
    for path in [*ROOT.glob("*.*"), *ROOT.glob("openapi_examples/**/*.*")]:
        if path.is_file():
            assert not pattern.search(path.read_text()), path.name
