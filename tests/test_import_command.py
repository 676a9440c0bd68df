"""`fishhouse import …` from the machine that runs the service."""

from pathlib import Path

import pytest

from service.cli import main
from tests.kitchen import Kitchen

OPENING = "place,product,caught_from,mass,unit\nFZ1,HER-BLOCK-10,2026-08-01,100,kg\n"


@pytest.fixture
def at_its_desk(kitchen: Kitchen, monkeypatch: pytest.MonkeyPatch) -> Kitchen:
    monkeypatch.setenv("FISHHOUSE_DATABASE_URL", kitchen.address)
    monkeypatch.setattr("service.import_desk.system_clock", kitchen.clock)
    return kitchen


def test_a_table_is_tried_first_and_then_imported(
    at_its_desk: Kitchen, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = tmp_path / "stock.csv"
    table.write_text(OPENING)
    assert main(["import", "opening", str(table), "--dry-run"]) == 0
    said = capsys.readouterr().out
    assert "100 kg  1 lots, 0 held" in said and "nothing was stored" in said
    assert at_its_desk.balance()["parcels"] == 0
    assert main(["import", "opening", str(table)]) == 0
    assert at_its_desk.balance()["parcels"] == 100_000
    lot = at_its_desk.keeper.shown("/lots")["items"][0]["code"]
    results = tmp_path / "results.csv"
    results.write_text(
        "lot,sampled_on,laboratory,analyte,amount,unit\n"
        f"{lot},2026-09-01,Harbour Laboratory,FAT,11,g/100g\n"
    )
    capsys.readouterr()
    assert main(["import", "assays", str(results)]) == 0
    assert "1 rows: 1 assays, 1 contents, 0 tests." in capsys.readouterr().out
    assert len(at_its_desk.keeper.shown(f"/lots/{lot}/assays")["items"]) == 1


def test_rows_that_are_wrong_are_printed_and_the_command_fails(
    at_its_desk: Kitchen, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = tmp_path / "stock.csv"
    table.write_text(OPENING.replace("FZ1", "NOWHERE"))
    assert main(["import", "opening", str(table)]) == 1
    assert "2.place: no place is called 'NOWHERE'" in capsys.readouterr().err
    assert main(["import", "opening", str(tmp_path / "none.csv")]) == 2
    assert "cannot be read" in capsys.readouterr().err
