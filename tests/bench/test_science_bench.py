"""`fishhouse bench science` measures what it says. How fast it is, no test asks."""

import json
from pathlib import Path

import numpy as np
import pytest

from service.bench import science
from service.bench.science import Stays, cupboard, hours_from_formulas, hours_from_tables
from service.cli import main
from service.science.exposure import DAY_S, HOUR_S
from service.science.thawing import hours_to_core


def test_the_stiff_integrator_is_asked_the_same_question() -> None:
    ours = hours_to_core(
        science.FOOD,
        science.SLAB,
        [science.REFRIGERATOR],
        start_c=science.START_C,
        core_c=science.CORE_C,
    )
    assert hours_from_tables() == pytest.approx(ours, rel=5e-4)
    assert hours_from_formulas() == pytest.approx(ours, rel=2e-3)


def test_the_exposure_of_a_parcel_is_what_its_hours_add_up_to() -> None:
    stays = Stays(30)
    found = stays.used()
    assert found.shape == (30, science.RATES)
    for parcel in range(30):
        total = np.zeros(science.RATES)
        for stay in (parcel, parcel + 30):
            prefix = stays.prefixes[stays.place[stay]]
            begin, end = stays.begin_s[stay], stays.end_s[stay]
            hours = np.arange(science.HOURS) * HOUR_S
            inside = np.clip(np.minimum(end, hours + HOUR_S) - np.maximum(begin, hours), 0, None)
            total += inside / HOUR_S @ np.diff(prefix.used, axis=0)
        assert found[parcel] == pytest.approx(total / DAY_S, rel=1e-9)


def test_the_cupboard_has_six_products_for_five_nutrients_to_be_halved() -> None:
    offers = cupboard()
    assert len(offers) == 6
    assert len({n for offer in offers for n in offer.contents}) == 5
    assert {offer.pieces_per_unit for offer in offers} == {2}


def test_figures_and_growth_are_printed_as_json_and_drawn(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(science, "COUNTS", (10, 100))
    monkeypatch.setattr(science, "measure", lambda: iter([science._supplements()]))
    picture = tmp_path / "growth.svg"
    assert main(["bench", "science", "--json", "--picture", str(picture)]) == 0
    document = json.loads(capsys.readouterr().out)
    (figure,) = document["figures"]
    assert figure["value"] > 0 and figure["unit"] == "ms" and figure["target"] == 100
    assert document["growth"]["count"] == [10, 100]
    assert all(len(of) == 2 for of in document["growth"]["seconds"].values())
    assert "parcels, two places each" in picture.read_text(encoding="utf-8")
