"""`fishhouse user add`, as the README says it."""

import pytest

from service.cli import main
from service.security.rules import Role
from tests.kitchen import Kitchen, Person


@pytest.mark.parametrize("role", list(Role))
def test_everybody_gets_a_token_that_is_the_last_word_printed(
    small_kitchen: Kitchen,
    role: Role,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("FISHHOUSE_DATABASE_URL", small_kitchen.address)
    assert main(["user", "add", f"somebody-{role}", "--role", role, "--token"]) == 0
    token = capsys.readouterr().out.split()[-1]
    answer = Person(small_kitchen.app, token).get("/sites")
    assert answer.status_code == (403 if role is Role.DEVICE else 200)


def test_only_a_device_is_named_for_probes(
    small_kitchen: Kitchen, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("FISHHOUSE_DATABASE_URL", small_kitchen.address)
    assert main(["user", "add", "ada", "--role", "vet", "--probe", "FZ1-AIR"]) == 1
    assert "is no device but a vet" in capsys.readouterr().err
    assert main(["user", "add", "ada", "--role", "vet"]) == 0, "nothing was stored before"
