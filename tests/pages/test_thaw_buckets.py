"""Pages of buckets: made for a day, weighed out, put somewhere, weighed back."""

import pytest

from tests.buckets.test_buckets import a_batch, by_hand, on_a_diet
from tests.kitchen import Kitchen
from tests.pages.visiting import visitor

TODAY = "2026-11-25"
HOSTILE = '"><img src=x onerror=alert(1)>'


def test_a_days_buckets_are_made_weighed_out_and_weighed_back(kitchen: Kitchen) -> None:
    on_a_diet(kitchen, CAP=4000)
    a_batch(kitchen)
    who = visitor(kitchen, "keeper")
    assert "No buckets are made" in who.page("/thaw/buckets")
    assert who.sent("/thaw/buckets", {"day": TODAY}) == f"/thaw/buckets?day={TODAY}"
    page = who.page(f"/thaw/buckets?day={TODAY}")
    assert "Buckets made: 2." in page and "Brine" in page and "2.00 kg" in page
    code = kitchen.keeper.shown("/buckets", params={"day": TODAY})["items"][0]["code"]
    path = f"/thaw/buckets/{code}"
    assert "With the fish" in who.page(path)
    scale = {
        "tare.value": "0.4", "tare.unit": "kg", "gross.value": "2.4", "gross.unit": "kg",
        "where": "iced",
    }  # fmt: skip
    assert who.sent(f"{path}/weigh-out", scale) == path
    assert "Under ice" in who.page(path) and "feed by" in who.page(path)
    who.sent(f"{path}/stays", {"where": "cold"})
    back = {"gross.value": "0.9", "gross.unit": "kg"}
    too_much = who.post(f"{path}/weigh-back", back | {"gross.value": "9"})
    assert too_much.status_code == 422 and "weigh again" in too_much.text
    who.sent(f"{path}/weigh-back", back)
    (feed,) = kitchen.keeper.shown("/feeds")["items"]
    assert feed["items"][0]["eaten"]["g"] == 1500
    assert "weigh-back" not in who.page(path)


def test_a_bucket_is_given_up_or_discarded_with_a_reason(kitchen: Kitchen) -> None:
    batch = a_batch(kitchen)
    first, second = (by_hand(kitchen, batch)["code"] for _ in range(2))
    who = visitor(kitchen, "keeper")
    path = f"/thaw/buckets/{first}"
    assert who.post(f"{path}/cancel", {"reason": ""}).status_code == 422
    who.sent(f"{path}/cancel", {"reason": "the show was called off"})
    assert "cancelled" in who.page(path)
    who.sent(f"/thaw/buckets/{second}/discard", {"reason": HOSTILE})
    assert HOSTILE not in who.page(f"/thaw/buckets/{second}")
    assert kitchen.balance()["discarded"] == 2000


def test_fish_that_is_missing_for_a_bucket_is_named(kitchen: Kitchen) -> None:
    on_a_diet(kitchen, CAP=4000)
    who = visitor(kitchen, "keeper")
    who.sent("/thaw/buckets", {"day": TODAY})
    assert "No fish for BRINE" in who.page(f"/thaw/buckets?day={TODAY}")


@pytest.mark.parametrize("role", ["inspector", "nutritionist"])
def test_whoever_feeds_nobody_is_offered_no_bucket_to_fill(
    small_kitchen: Kitchen, role: str
) -> None:
    code = by_hand(small_kitchen, a_batch(small_kitchen))["code"]
    who = visitor(small_kitchen, role)
    for path in ("/thaw/buckets", f"/thaw/buckets/{code}"):
        assert 'action="/thaw' not in who.page(path)


def test_a_bucket_says_that_its_fish_is_past_its_time_or_on_hold(kitchen: Kitchen) -> None:
    batch = a_batch(kitchen)
    code = by_hand(kitchen, batch)["code"]
    who = visitor(kitchen, "keeper")
    path = f"/thaw/buckets/{code}"
    assert "do not feed it" not in who.page(path)
    lot = kitchen.keeper.shown(f"/thaw-batches/{batch}")["lot"]
    kitchen.vet.made(f"/lots/{lot}/holds", {"reason": "smells of ammonia"})
    assert f"{batch} is of a lot on hold: do not feed it" in who.page(path)
    kitchen.clock.forward(hours=50)
    who = visitor(kitchen, "keeper")
    assert f"{batch} is past its time since" in who.page(path)


def test_a_temperature_over_its_limit_never_reads_as_the_limit(kitchen: Kitchen) -> None:
    kitchen.temperatures("FZ1-AIR", kitchen.clock(), [-17.96])
    assert "−17.9 °C" in visitor(kitchen, "keeper").page("/rooms")
