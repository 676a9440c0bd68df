"""The intake record of an animal or a group, step by step, as plain values of `IntakeOut`."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from functools import cache
from typing import Any

import numpy as np
from sqlmodel import Session

from service.catalogue.rules import nutrients
from service.database import Plain
from service.feeding.queries import intake
from service.feeding.queries.intake import Fish
from service.feeding.rules import LASTING, Grain, Outcome, step_of
from service.quality.queries.listing import mass_shown
from service.quantities import Units
from service.science.arrays import Array

CAUTIONS = (
    "Energy and nutrients are of the newest assay of each lot, else as usual of its species.",
    "Vitamins and fatty acids are lost in store: they are not in this record.",
    "A share of what a group ate is an estimate: nobody saw which animal ate it.",
)


@dataclass
class _Step:
    """Sums of one step of the record; eaten by lot."""

    counts: list[int] = field(default_factory=lambda: [0] * 7)
    eaten: dict[int, int] = field(default_factory=dict)
    refused: int = 0
    not_offered: int = 0

    def add(self, row: Plain) -> None:
        """Add the sums of one day and lot."""
        _, lot_id, *values = row
        for place, value in enumerate(values):
            self.counts[place] += value
        self.eaten[lot_id] = self.eaten.get(lot_id, 0) + values[2]


def record(
    session: Session,
    first: date,
    last: date,
    grain: Grain,
    units: Units,
    *,
    animal_id: int | None = None,
    group_id: int | None = None,
) -> dict[str, Any]:
    """What an animal, else a group, ate from a day to another, both included.

    Four queries. Cost grows with the days, not with their feeds.
    """
    eater = {"animal_id": animal_id, "group_id": group_id}
    rows = intake.sums(session, first, last, grain, **eater)
    fish = intake.fish_of(session, {row[1] for row in rows})
    steps: dict[date, _Step] = {}
    total = _Step()
    for row in rows:
        steps.setdefault(row[0], _Step()).add(row)
        total.add(row)
    for day, outcome, feeds in intake.without_eating(session, first, last, **eater):
        step = steps.setdefault(step_of(day, grain)[0], _Step())
        step.refused += feeds if outcome is Outcome.REFUSED else 0
        step.not_offered += feeds if outcome is Outcome.NOT_OFFERED else 0
    return {
        "from": first,
        "to": last,
        "by": grain,
        "days": [
            {
                "day": max(begin, first),
                "until": min(step_of(begin, grain)[1], last),
                **_shown(steps[begin], fish, units),
            }
            for begin in sorted(steps)
        ],
        "total": mass_shown(units, total.counts[2]),
        "estimated": mass_shown(units, total.counts[6]),
        **_content(total.eaten, fish, units),
        "cautions": CAUTIONS,
    }


def _shown(step: _Step, fish: Mapping[int, Fish], units: Units) -> dict[str, Any]:
    feeds, *grams = step.counts
    names = ("offered", "eaten", "left", "cold", "lost", "estimated")
    return {
        "feeds": feeds,
        "refused": step.refused,
        "not_offered": step.not_offered,
        **{name: mass_shown(units, g) for name, g in zip(names, grams, strict=True)},
        **_content(step.eaten, fish, units),
    }


def _content(eaten: Mapping[int, int], fish: Mapping[int, Fish], units: Units) -> dict[str, Any]:
    """Energy, nutrients, species and lots of what was eaten."""
    species: dict[str, int] = {}
    kcal = 0.0
    for lot_id, grams in eaten.items():
        lot = fish[lot_id]
        species[lot.species] = species.get(lot.species, 0) + grams
        kcal += grams / 1000 * lot.kcal_per_kg
    return {
        "energy_kcal": round(kcal, 1),
        "nutrients": _nutrients(eaten, fish, units),
        "species": [{"species": s, "eaten": mass_shown(units, g)} for s, g in species.items()],
        "lots": [
            {
                "lot": fish[lot_id].code,
                "species": fish[lot_id].species,
                "eaten": mass_shown(units, grams),
            }
            for lot_id, grams in eaten.items()
        ],
    }


def _nutrients(
    eaten: Mapping[int, int], fish: Mapping[int, Fish], units: Units
) -> list[dict[str, Any]]:
    if not eaten:
        return []
    grams = np.array(list(eaten.values()), dtype=float)
    content = np.array([fish[lot_id].content for lot_id in eaten])
    unknown = np.isnan(content)
    amounts = grams @ np.where(unknown, 0.0, content) * _per_gram()
    unknown_g = grams @ unknown
    total = grams.sum()
    return [
        {
            "nutrient": tag,
            "amount": round(float(amount), 4),
            "unit": nutrients()[tag].amount_unit,
            "not_known": mass_shown(units, int(missing)),
        }
        for tag, amount, missing in zip(LASTING, amounts, unknown_g, strict=True)
        if missing < total
    ]


@cache
def _per_gram() -> Array:
    """By what contents times grams are multiplied: they are per 100 g or per kg."""
    return np.array([0.01 if nutrients()[tag].unit.endswith("/100g") else 0.001 for tag in LASTING])
