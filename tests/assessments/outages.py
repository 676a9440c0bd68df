"""Words for nights on which a freezer became warm."""

from datetime import datetime, timedelta
from typing import Any

from service.assessments.actions.assessing import assess_new
from service.excursions.actions.watching import watch
from tests.kitchen import START, Kitchen

NIGHT = START - timedelta(hours=12)  # 18:00 the evening before


def readings(
    kitchen: Kitchen, warm: dict[float, float], *, until: float = 12.0, usual: float = -22.0
) -> None:
    """Four days of the usual cold until NIGHT, then as `warm` says: from so many hours on, °C."""
    start = NIGHT - timedelta(days=4)
    steps = int((until + 96) * 12) + 1
    values = []
    for step in range(steps):
        hour = step / 12 - 96
        begun = [h for h in warm if h <= hour]
        values.append(warm[max(begun)] if begun else usual)
    kitchen.temperatures("FZ1-AIR", start, values, every_s=300)


def watched(kitchen: Kitchen, at: datetime | None = None) -> None:
    """What the worker does each minute."""
    with kitchen.writing() as session:
        watch(session, at=at or kitchen.clock())
    with kitchen.writing() as session:
        assess_new(session, at=at or kitchen.clock())


def excursion(kitchen: Kitchen, number: int = 0) -> Any:
    """The newest excursion, or an earlier one."""
    return kitchen.keeper.shown("/excursions")["items"][number]


def assessed(kitchen: Kitchen, excursion_id: int) -> Any:
    return kitchen.keeper.shown(f"/excursions/{excursion_id}/assessment")


def core(kitchen: Kitchen, lot: str, temperature: str, **more: Any) -> Any:
    body = {
        "kind": "core",
        "lot": lot,
        "place": "FZ1",
        "temperature": temperature,
        "position": "corner",
        **more,
    }
    return kitchen.commissary.made("/checks", body)


def worst(assessment: Any, lot: str) -> tuple[float, float]:
    """Range of the highest core of a lot's worst carton."""
    (fish,) = [f for f in assessment["fish"] if f["lot"] == lot]
    low, high = fish["figures"]["worst"]["peak_core"]["range"]
    return low, high


def decide(person: Any, excursion_id: int, decided: dict[str, str], **more: Any) -> Any:
    body = {
        "lots": [{"lot": lot, "decision": choice} for lot, choice in decided.items()],
        "reason": "looked at it",
        "corrective_action": "the door has a spring now",
        **more,
    }
    return person.post(f"/excursions/{excursion_id}/decisions", body)
