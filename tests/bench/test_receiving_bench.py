"""`fishhouse bench receiving` measures what it says. How fast it is, no test asks."""

import json

import pytest

from service.barcodes.rules.elements import read_code
from service.bench import receiving
from service.cli import main
from service.labels.rules.carton import together


def test_the_label_of_the_bench_says_something_and_nothing_wrong() -> None:
    code = read_code(receiving.LABEL, receiving.TODAY)
    assert not code.faults and not code.unknown
    said = together([code], receiving.TODAY)
    assert said.contradictions == said.missing == ()
    assert said.printed.supplier_lot == "A77" and said.printed.harvested_from is not None


def test_figures_are_printed_as_json_in_the_order_of_the_list(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(receiving, "TELEPHONE", (1200, 900))
    monkeypatch.setattr(receiving, "MODULE", 3)
    monkeypatch.setattr(receiving, "MEASURES", [receiving._label_string, receiving._photo])
    monkeypatch.setattr(receiving, "PLACE", (60, 60))
    assert main(["bench", "receiving", "--json"]) == 0
    figures = json.loads(capsys.readouterr().out)["figures"]
    assert [f["target"] for f in figures] == [5.0, 300.0, 300.0, 300.0]
    assert all(f["value"] > 0 and f["unit"] == "ms" for f in figures)
