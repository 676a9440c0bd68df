"""Feed without a browser: what stands on the cards, plain forms, corrections, offline files."""

import re
from html import unescape
from typing import Any

from service.security.rules import Role
from tests.buckets import test_buckets
from tests.buckets.test_buckets import an_order, on_a_diet
from tests.kitchen import Kitchen
from tests.pages.visiting import visitor


def a_batch(kitchen: Kitchen) -> str:
    """A thaw batch that was found thawed."""
    code = test_buckets.a_batch(kitchen)
    kitchen.keeper.made(f"/thaw-batches/{code}/thawed", {"method": "touch"})
    return code


def fed(kitchen: Kitchen) -> list[Any]:
    return list(kitchen.keeper.shown("/feeds")["items"])


def a_card(batch: str, **more: Any) -> dict[str, Any]:
    """What a card's form sends for the kitchen's animal."""
    return {
        "animal": "BRINE",
        "kind": "meal",
        "items.0.thaw_batch": batch,
        "items.0.offered.value": "2",
        "items.0.offered.unit": "kg",
        "items.0.left.unit": "kg",
        "items.0.cold.unit": "kg",
        "items.0.lost.unit": "kg",
        "appetite": "normal",
        **more,
    }


def names_of(page: str) -> list[str]:
    return [unescape(name) for name in re.findall(r'data-name="([^"]*)"', page)]


def test_a_card_says_who_gets_how_much_from_which_batch_first(kitchen: Kitchen) -> None:
    on_a_diet(kitchen)
    first = a_batch(kitchen)
    kitchen.clock.forward(minutes=30)
    second = a_batch(kitchen)
    page = visitor(kitchen, "keeper").page("/feed")
    assert names_of(page) == ["Brine", "Brine"]
    assert "2.00 kg" in page and "capelin" in page
    chosen = re.findall(r'<option value="([^"]*)" selected', page)
    assert chosen[0] == first and second in page


def test_ate_all_is_one_button_and_the_card_is_gone(kitchen: Kitchen) -> None:
    on_a_diet(kitchen)
    batch, who = a_batch(kitchen), visitor(kitchen, "keeper")
    assert who.sent("/feed", a_card(batch, _how="all")) == "/feed"
    (feed,) = fed(kitchen)
    assert feed["items"][0]["eaten"]["g"] == feed["items"][0]["offered"]["g"] == 2000
    page = who.page("/feed")
    assert names_of(page) == ["Brine"] and "Stored: BRINE." in page


def test_what_was_left_came_back_cold_or_went_to_others_is_not_eaten(kitchen: Kitchen) -> None:
    batch, who = a_batch(kitchen), visitor(kitchen, "keeper")
    said = {"items.0.left.value": "0.5", "items.0.cold.value": "0.2", "items.0.lost.value": "0.1"}
    who.sent("/feed", a_card(batch, _how="some", **said))
    item = fed(kitchen)[0]["items"][0]
    assert [item[part]["g"] for part in ("eaten", "left", "cold", "lost")] == [1200, 500, 200, 100]


def test_refused_and_not_offered_are_two_things_and_the_second_says_why(kitchen: Kitchen) -> None:
    batch, who = a_batch(kitchen), visitor(kitchen, "keeper")
    who.sent("/feed", a_card(batch, _how="refused"))
    silent = who.post("/feed", a_card(batch, _how="not_offered"))
    assert silent.status_code == 422 and "say why nothing was offered" in silent.text
    who.sent("/feed", a_card(batch, _how="not_offered", note="The pool was drained"))
    second, first = fed(kitchen)
    assert (first["outcome"], first["appetite"], first["items"][0]["left"]["g"]) == (
        "refused",
        "none",
        2000,
    )
    assert (second["outcome"], second["items"]) == ("not_offered", [])


def test_a_bucket_is_fed_and_what_became_of_its_medicine_is_recorded(kitchen: Kitchen) -> None:
    on_a_diet(kitchen)
    an_order(kitchen)
    a_batch(kitchen)
    who = visitor(kitchen, "keeper")
    assert "Make the bucket first" in who.page("/feed")
    who.sent("/feed/buckets")
    page = who.page("/feed")
    assert "Medication" in page and "Spat out" in page
    bucket, *_ = kitchen.keeper.shown("/buckets")["items"]
    left = {
        "left.0.thaw_batch": bucket["items"][0]["thaw_batch"],
        "left.0.left.unit": "kg",
        "_full.0": "2",
    }
    piece = {"carries.0.number": "1", "carries.0.outcome": "spat_out"}
    who.sent("/feed", {"_bucket": bucket["code"], "kind": "meal", "_how": "all", **left, **piece})
    after = kitchen.keeper.shown(f"/buckets/{bucket['code']}")
    assert (after["state"], after["carries"][0]["outcome"]) == ("fed", "spat_out")
    assert fed(kitchen)[0]["items"][0]["eaten"]["g"] == bucket["mass"]["g"]
    assert bucket["code"] not in who.page("/feed")


def test_a_bucket_of_which_nothing_was_offered_leaves_its_fish_in_its_batch(
    kitchen: Kitchen,
) -> None:
    on_a_diet(kitchen)
    a_batch(kitchen)
    before = kitchen.balance()
    who = visitor(kitchen, "keeper")
    who.sent("/feed/buckets")
    bucket, *_ = kitchen.keeper.shown("/buckets")["items"]
    form = {"_bucket": bucket["code"], "_how": "not_offered", "note": "Moved away"}
    who.sent("/feed", form)
    assert kitchen.keeper.shown(f"/buckets/{bucket['code']}")["state"] == "not_fed"
    assert fed(kitchen)[0]["outcome"] == "not_offered" and kitchen.balance() == before


def test_fish_that_may_not_be_fed_is_never_chosen_and_says_why(kitchen: Kitchen) -> None:
    on_a_diet(kitchen)
    batch = a_batch(kitchen)
    lot = kitchen.keeper.shown(f"/thaw-batches/{batch}")["lot"]
    kitchen.vet.made(f"/lots/{lot}/holds", {"reason": "smells"})
    page = visitor(kitchen, "keeper").page("/feed")
    assert "on hold" in page and not re.search(rf'value="{batch}" selected', page)
    before = kitchen.balance()
    refused = visitor(kitchen, "keeper").post("/feed", a_card(batch, _how="all"))
    assert refused.status_code == 409 and kitchen.balance() == before and fed(kitchen) == []


def test_a_feed_is_put_right_and_another_taken_back(kitchen: Kitchen) -> None:
    on_a_diet(kitchen)
    batch, who = a_batch(kitchen), visitor(kitchen, "keeper")
    who.sent("/feed", a_card(batch, _how="all"))
    number = fed(kitchen)[0]["id"]
    assert f"/feed/today/{number}" in who.page("/feed/today")
    assert "What really happened?" in who.page(f"/feed/today/{number}")
    right = {
        "reason": "misread the scale",
        "feed.animal": "BRINE",
        "feed.kind": "meal",
        "feed.items.0.thaw_batch": batch,
        "feed.items.0.offered.value": "2",
        "feed.items.0.offered.unit": "kg",
        "feed.items.0.eaten.value": "1.5",
        "feed.items.0.eaten.unit": "kg",
    }
    who.sent(f"/feed/today/{number}/correction", right)
    newest = fed(kitchen)[0]
    assert newest["items"][0]["eaten"]["g"] == 1500 and len(names_of(who.page("/feed"))) == 1
    who.sent(f"/feed/today/{newest['id']}/reversal", {"reason": "another animal"})
    assert kitchen.balance().get("eaten", 0) == 0 and len(names_of(who.page("/feed"))) == 2


def test_a_correction_is_only_offered_to_who_may(kitchen: Kitchen) -> None:
    batch = a_batch(kitchen)
    visitor(kitchen, "keeper").sent("/feed", a_card(batch, _how="all"))
    number = fed(kitchen)[0]["id"]
    vet = visitor(kitchen, str(Role.VET))
    assert f"/feed/today/{number}" not in vet.page("/feed/today")
    assert vet.get(f"/feed/today/{number}").status_code == 403


def test_hostile_names_and_notes_are_only_words(kitchen: Kitchen) -> None:
    bad = '"><img src=x onerror=alert(1)><script>alert(1)</script>'
    kitchen.manager.made("/animals", {"code": "EVIL", "name": bad, "taxon": "T", "group": "otter"})
    on_a_diet(kitchen, "EVIL", HER=1000)
    batch, who = a_batch(kitchen), visitor(kitchen, "keeper")
    assert bad in names_of(who.page("/feed"))
    who.sent("/feed", a_card(batch, _how="all", note=bad, animal="EVIL"))
    number = fed(kitchen)[0]["id"]
    for path in ("/feed", "/feed/today", f"/feed/today/{number}"):
        page = who.page(path)
        assert "<script>alert" not in page and "<img" not in page


def test_a_form_of_rubbish_names_its_fields_and_stores_nothing(kitchen: Kitchen) -> None:
    batch, who = a_batch(kitchen), visitor(kitchen, "keeper")
    before = kitchen.balance()
    for more in (
        {"items.0.offered.value": "lots"},
        {"items.0.left.value": "9", "_how": "some"},
        {"items.0": "x"},
        {"items": "x"},
        {"_bucket": "B0", "left": "x", "_how": "all"},
        {"_bucket": "B0", "left.0": "x", "_how": "refused", "carries": "y"},
        {"_bucket": "B0", "left.0.thaw_batch": "x", "_how": "some"},
        {"animal": "NOBODY"},
    ):
        answer = who.post("/feed", a_card(batch, **{"_how": "all", **more}))
        assert 400 <= answer.status_code < 500, more
    assert who.post("/feed/today/1/correction", {"feed": "x"}).status_code == 422
    assert kitchen.balance() == before and fed(kitchen) == []


def test_a_session_of_somebody_else_never_records_what_a_tablet_kept(kitchen: Kitchen) -> None:
    """Who fed must stay true: the queue says whose entry it sends."""
    batch, who = a_batch(kitchen), visitor(kitchen, "keeper")
    item = {"thaw_batch": batch, "offered": "1 kg", "eaten": "1 kg"}
    path, body = "/v1/feeds", {"animal": "BRINE", "items": [item]}

    def sent(name: str) -> int:
        headers = {"As-User": name, "Origin": "http://kitchen.test", "Accept": "application/json"}
        return who._ask("POST", path, json=body, headers=headers).status_code

    assert sent("somebody%20else") == 401 and fed(kitchen) == []
    assert sent("keeper") == 201 and fed(kitchen)[0]["by"] == "keeper"


def test_a_tablet_gets_its_manifest_and_its_worker_before_anybody_logs_in(
    kitchen: Kitchen,
) -> None:
    nobody = visitor(kitchen, None)
    manifest = nobody.get("/manifest.webmanifest")
    assert manifest.headers["content-type"].startswith("application/manifest+json")
    assert manifest.json()["start_url"] == "/feed"
    worker = nobody.get("/service-worker.js")
    assert worker.headers["content-type"].startswith("text/javascript")
    assert worker.headers["service-worker-allowed"] == "/"
    assert worker.headers["cache-control"] == "no-cache"
    files = re.findall(r'"(/static/[^"]+)"', worker.text)
    assert len(files) >= 5 and all(nobody.get(file).status_code == 200 for file in files)
    assert manifest.json()["icons"][0]["src"] in files
