"""What a manager changes about a site, and who else was faster."""

from typing import Any

from tests.kitchen import Kitchen


def test_a_change_based_on_what_was_read_is_taken_and_a_second_one_is_told_so(
    kitchen: Kitchen,
) -> None:
    boss = kitchen.manager
    read = boss.get("/sites/main")
    tag = read.headers["etag"]
    first = boss.put("/sites/main", {"name": "North pier"}, headers={"If-Match": tag})
    assert first.status_code == 200
    assert first.json()["version"] == read.json()["version"] + 1

    late = boss.put("/sites/main", {"name": "South pier"}, headers={"If-Match": tag})
    assert late.status_code == 412
    assert late.headers["content-type"] == "application/problem+json"
    assert late.json()["type"] == "/problems/changed-meanwhile"
    assert boss.shown("/sites/main")["name"] == "North pier"

    again = boss.put(
        "/sites/main", {"name": "South pier"}, headers={"If-Match": first.headers["etag"]}
    )
    assert again.json()["name"] == "South pier"


def test_no_other_tag_passes(small_kitchen: Kitchen) -> None:
    for tag in ('"MAIN-999"', "MAIN-1", '""', "nonsense", 'W/"MAIN-1"'):
        answer = small_kitchen.manager.put(
            "/sites/main", {"name": "North pier"}, headers={"If-Match": tag}
        )
        assert answer.status_code == 412, tag


def test_one_of_several_tags_is_enough_and_a_star_means_any(small_kitchen: Kitchen) -> None:
    """RFC 9110, section 13.1.1: If-Match is "*" or a list of tags."""
    boss = small_kitchen.manager
    tag = boss.get("/sites/main").headers["etag"]
    listed = boss.put("/sites/main", {"name": "A"}, headers={"If-Match": f'"OTHER-1", {tag}'})
    assert listed.status_code == 200
    assert boss.put("/sites/main", {"name": "B"}, headers={"If-Match": "*"}).status_code == 200
    assert boss.put("/sites/main", {"name": "C"}).status_code == 200


def test_pounds_and_fahrenheit_are_shown_where_a_site_asks_for_them(
    small_kitchen: Kitchen,
) -> None:
    small_kitchen.a_lot(mass="100 kg")
    change = {"mass_unit": "lb", "temperature_unit": "f", "timezone": "America/New_York"}
    assert small_kitchen.manager.put("/sites/MAIN", change).status_code == 200
    (row,) = small_kitchen.manager.shown("/stock")["items"]
    # 100 kg / 0.45359237 kg = 220.46 lb (international yard and pound agreement, 1959).
    assert row["mass"] == {"value": 220.46, "unit": "lb", "g": 100_000}
    limits = {p["code"]: p["limit"] for p in small_kitchen.manager.shown("/places")["items"]}
    # 9 CFR 3.105(d) gives the pair: 0 °F, -18 °C.
    assert limits["FZ1"]["value"] == 0.0 and limits["FZ1"]["unit"] == "f"


IMPOSSIBLE: list[tuple[dict[str, Any], str]] = [
    ({"mass_unit": "g"}, "mass_unit"),
    ({"mass_unit": "stone"}, "mass_unit"),
    ({"temperature_unit": "k"}, "temperature_unit"),
    ({"timezone": "Atlantis/Harbour"}, "timezone"),
    ({"timezone": "../../etc/passwd"}, "timezone"),
    ({"timezone": ""}, "timezone"),
    ({"name": "  "}, "name"),
    ({"code": "NEW"}, "code"),
]


def test_what_a_site_cannot_be_is_refused_by_name(small_kitchen: Kitchen) -> None:
    for change, field in IMPOSSIBLE:
        answer = small_kitchen.manager.put("/sites/main", change)
        assert answer.status_code == 422
        assert field in [e["field"] for e in answer.json()["errors"]]
        assert small_kitchen.manager.shown("/sites/main")["version"] == 1


TOO_FAR: list[tuple[dict[str, Any], str]] = [
    ({"clock_freezer_out_h": 25}, "clock_freezer_out_h"),
    ({"clock_thawed_refrigerated_h": 24.01}, "clock_thawed_refrigerated_h"),
    ({"freezer_legal_max": -17}, "freezer_legal_max"),
    ({"age_limit_fatty_months": 0}, "age_limit_fatty_months"),
    ({"clock_skew_minutes": 61}, "clock_skew_minutes"),
    ({"no_such_figure": 1}, "no_such_figure"),
    ({"use_order": "by_taste"}, "use_order"),
    ({"preparation_minutes": "soon"}, "preparation_minutes"),
]


def test_a_policy_never_goes_past_the_regulation(small_kitchen: Kitchen) -> None:
    """9 CFR 3.105(d): 24 h and -18 °C (0 °F) are the outermost that a site may allow."""
    for changes, field in TOO_FAR:
        body = {"changes": changes, "reason": "we would like to"}
        answer = small_kitchen.manager.put("/sites/main/policy", body)
        assert answer.status_code == 422, answer.text
        assert [e["field"] for e in answer.json()["errors"]] == [f"changes.{field}"]
        assert small_kitchen.manager.shown("/sites/main/policy")["version"] == 0


def test_a_shorter_clock_counts_from_now_on_and_what_was_decided_keeps_the_old_one(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot()["code"]
    before = kitchen.pulled(lot, "10 kg")
    assert before["discard_after"] == "2026-11-26T06:00:00Z"
    kitchen.clock.forward(minutes=1)
    body = {"changes": {"clock_freezer_out_h": 12}, "reason": "the vet asks for it"}
    assert kitchen.manager.put("/sites/main/policy", body).json()["version"] == 1
    after = kitchen.pulled(lot, "10 kg")
    assert after["discard_after"] == "2026-11-25T18:01:00Z"


def test_with_several_sites_a_body_must_name_one(kitchen: Kitchen) -> None:
    boss = kitchen.manager
    boss.made("/sites", {"code": "SUD", "name": "South house"})
    body = {"code": "P9", "name": "Pi", "kind": "freezer"}
    answer = boss.post("/places", body)
    assert answer.status_code == 422
    assert [e["field"] for e in answer.json()["errors"]] == ["site"]
    assert boss.made("/places", body | {"site": "sud"})["site"] == "SUD"
    assert boss.post("/sites", {"code": "sud", "name": "South house"}).status_code == 409


def test_one_delivery_does_not_go_to_two_sites(small_kitchen: Kitchen) -> None:
    boss = small_kitchen.manager
    boss.made("/sites", {"code": "SUD", "name": "South house"})
    boss.made("/places", {"code": "P9", "name": "Pi", "kind": "freezer", "site": "SUD"})
    lines = [
        {"product": "HER-BLOCK-10", "caught_from": "2026-08-01", "mass": "10 kg", "place": place}
        for place in ("FZ1", "P9")
    ]
    answer = boss.post("/deliveries", {"supplier": "NORD", "lots": lines})
    assert answer.status_code == 409
    assert answer.json()["type"] == "/problems/another-site"
    assert small_kitchen.balance()["parcels"] == 0
