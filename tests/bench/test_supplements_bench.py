"""`fishhouse bench supplements` measures what it says. How fast it is, no test asks."""

import json

import pytest

from service.bench import databases, supplement_plans, supplements
from service.bench.dose_program import made_case
from service.cli import main
from service.science.dosing import Dose, choose_pieces


def test_ten_nutrients_and_six_products_are_chosen_for() -> None:
    needs = supplements.animals_needs(5)
    offers = supplements.cupboard()
    assert {len(n) for n in needs} == {10}
    assert len(offers) == 6
    assert sum(offer.weighed for offer in offers) == 1
    assert all(not choose_pieces(each, offers).unmet for each in needs)


@pytest.mark.parametrize("kind", databases.kinds())
def test_every_animal_of_the_site_gets_a_plan(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supplement_plans, "ROUNDS", 1)
    worked, stored, asked = supplement_plans.measure(kind, count=3)
    assert worked.value > 0
    assert stored.value > 0
    assert worked.target == stored.target == 300 and stored.less_is_better
    assert asked.value > 0
    assert asked.target == 100 and asked.less_is_better
    assert stored.detail["nutrients"] == 10 and stored.detail["products"] == 6


def test_figures_are_printed_as_json(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(supplements, "MEASURES", [])
    assert main(["bench", "supplements", "--json", "--cases", "3"]) == 0
    choosing, equal, faster = json.loads(capsys.readouterr().out)["figures"]
    assert choosing["unit"] == "ms"
    assert (equal["value"], equal["met"], equal["detail"]["cases"]) == (0, True, 3)
    assert faster["value"] > 0


def test_a_choice_that_is_not_the_best_fails_the_run(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    wanted = [n for n in range(5) if choose_pieces(made_case(n).needs, made_case(n).offers).pieces]
    monkeypatch.setattr(supplements, "MEASURES", [])
    monkeypatch.setattr(supplements, "choose_pieces", lambda _needs, _offers: Dose({}, 0.0, ()))
    assert main(["bench", "supplements", "--cases", "5"]) == 1
    assert f"{len(wanted)} cases that differ" in capsys.readouterr().out
