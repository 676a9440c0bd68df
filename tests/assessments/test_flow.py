"""From a warm night to a signed decision, on both databases."""

from tests.assessments.outages import (
    assessed,
    core,
    decide,
    excursion,
    readings,
    watched,
    worst,
)
from tests.kitchen import Kitchen


def test_a_warm_night_is_assessed_measured_and_decided(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    readings(kitchen, {3: -8.0})
    watched(kitchen)
    found = excursion(kitchen)
    it = assessed(kitchen, found["id"])
    print(found, it["place"], it["until_at"])
    print(it["fish"][0]["figures"]["worst"]["peak_core"], it["probe_next"], it["number"])
    before = worst(it, lot)
    done = core(kitchen, lot, "-13.2 °C")
    print(done)
    after = worst(assessed(kitchen, found["id"]), lot)
    print(before, after)
    assert after[1] < before[1]
