"""A record that comes after a count is judged by what was there before it."""

from tests.kitchen import Kitchen


def test_a_late_pull_finds_the_fish_that_a_later_count_had_missed(kitchen: Kitchen) -> None:
    """100 kg; counted 0 kg at 05:00; at 06:00 somebody records 10 kg pulled at 04:00.

    By hand: the count had taken 100 kg for lost; 10 kg of them were pulled, 90 are missing.
    """
    lot = kitchen.a_lot(mass="100 kg")["code"]
    kitchen.commissary.made(
        "/counts",
        {
            "lot": lot,
            "place": "FZ1",
            "mass": "0 kg",
            "reason": "empty shelf",
            "occurred_at": "2026-11-25T05:00:00Z",
        },
    )
    assert kitchen.balance()["count_difference"] == 100_000
    late = kitchen.keeper.made(
        "/pulls",
        {
            "lot": lot,
            "from_place": "FZ1",
            "to_place": "TANK1",
            "mass": "10 kg",
            "occurred_at": "2026-11-25T04:00:00Z",
        },
    )
    assert late["breaches"] == []
    shown = kitchen.keeper.shown(f"/lots/{lot}")
    assert [(p["place"], p["mass"]["g"]) for p in shown["places"]] == [("TANK1", 10_000)]
    assert kitchen.balance()["count_difference"] == 90_000
    refused = kitchen.keeper.post(
        "/pulls",
        {"lot": lot, "from_place": "FZ1", "to_place": "TANK1", "mass": "10 kg"},
    )
    assert refused.json()["type"].endswith("not-enough-stock"), "nothing is there now"


def test_a_late_feed_finds_the_fish_that_a_count_of_the_tank_had_missed(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot(mass="100 kg")["code"]
    batch = kitchen.pulled(lot, "20 kg", occurred_at="2026-11-24T22:00:00Z")["code"]
    kitchen.commissary.made(
        "/counts",
        {
            "lot": lot,
            "place": "TANK1",
            "mass": "0 kg",
            "reason": "tank is empty",
            "occurred_at": "2026-11-25T05:00:00Z",
        },
    )
    kitchen.keeper.made(
        "/feeds",
        {
            "animal": "BRINE",
            "items": [{"thaw_batch": batch, "offered": "5 kg", "eaten": "4 kg", "left": "1 kg"}],
            "occurred_at": "2026-11-25T04:30:00Z",
        },
    )
    books = kitchen.balance()
    assert (books["eaten"], books["left"], books["count_difference"]) == (4000, 1000, 15_000)
    assert books["parcels"] == 80_000


def test_a_late_pull_beyond_what_was_ever_there_is_still_refused(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot(mass="100 kg")["code"]
    kitchen.commissary.made(
        "/counts",
        {
            "lot": lot,
            "place": "FZ1",
            "mass": "50 kg",
            "reason": "half is gone",
            "occurred_at": "2026-11-25T05:00:00Z",
        },
    )
    before = kitchen.balance()
    refused = kitchen.keeper.post(
        "/pulls",
        {
            "lot": lot,
            "from_place": "FZ1",
            "to_place": "TANK1",
            "mass": "110 kg",
            "occurred_at": "2026-11-25T04:00:00Z",
        },
    )
    assert refused.json()["type"].endswith("not-enough-stock")
    assert kitchen.balance() == before
