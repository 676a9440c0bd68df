"""Two tablets, one bucket: it is fed once; two kitchens, one batch: it is shared out once."""

from collections import Counter
from datetime import timedelta
from pathlib import Path

from tests.kitchen import Kitchen
from tests.processes import served
from tests.races.test_last_carton import all_at_once, fresh_lot, last_word, token_of

TABLETS = 10


def test_of_ten_tablets_weighing_one_bucket_back_one_records_the_feed(
    kitchen: Kitchen, tmp_path: Path
) -> None:
    batch = kitchen.pulled(fresh_lot(kitchen, "CAP", "24 kg"), "10 kg")["code"]
    order = {
        "animal": "BRINE",
        "feed_at": (kitchen.clock() + timedelta(hours=1)).isoformat(),
        "items": [{"thaw_batch": batch, "mass": "2 kg"}],
    }
    code = kitchen.keeper.made("/buckets", order)["items"][0]["code"]
    back = {"left": [{"thaw_batch": batch, "left": "0.5 kg"}]}
    path = f"/v1/buckets/{code}/weigh-back"
    with served(kitchen.address, tmp_path, ports=2) as urls:
        answers = all_at_once(urls, token_of(kitchen), path, [back] * TABLETS)
    said = Counter(last_word(answer) for answer in answers)
    assert said == {"201": 1, "409 bucket-ended": TABLETS - 1}
    assert kitchen.balance()["eaten"] == 1500


def test_no_gram_of_a_batch_is_promised_to_two_buckets(kitchen: Kitchen, tmp_path: Path) -> None:
    batch = kitchen.pulled(fresh_lot(kitchen, "CAP", "24 kg"), "10 kg")["code"]
    order = {
        "animal": "BRINE",
        "feed_at": (kitchen.clock() + timedelta(hours=1)).isoformat(),
        "items": [{"thaw_batch": batch, "mass": "3 kg"}],
    }
    with served(kitchen.address, tmp_path, ports=2) as urls:
        answers = all_at_once(urls, token_of(kitchen), "/v1/buckets", [order] * TABLETS)
    said = Counter(last_word(answer) for answer in answers)
    assert said == {"201": 3, "409 not-enough-stock": TABLETS - 3}
