"""What a laboratory found: stored as printed, judged, corrected, asked for."""

from typing import Any

import pytest

from tests.architecture.test_statements import counted
from tests.kitchen import Kitchen


def assay(**more: Any) -> dict[str, Any]:
    return {"sampled_on": "2026-11-10", "laboratory": "Harbour Laboratory"} | more


def value(tag: str, amount: Any, unit: str, **more: Any) -> dict[str, Any]:
    return {"nutrient": tag, "amount": amount, "unit": unit} | more


def recorded(kitchen: Kitchen, lot: str, **more: Any) -> Any:
    return kitchen.nutritionist.made(f"/lots/{lot}/assays", assay(**more))


def measured(kitchen: Kitchen, lot: str, test: str, values: list[Any], **more: Any) -> Any:
    return recorded(kitchen, lot, tests=[{"test": test, "values": values} | more])


def status(kitchen: Kitchen, lot: str) -> str:
    return str(kitchen.keeper.shown(f"/lots/{lot}")["status"])


def left(kitchen: Kitchen, lot: str, tag: str) -> Any:
    rows = kitchen.keeper.shown(f"/lots/{lot}/quality")["nutrients"]
    return next(row for row in rows if row["nutrient"] == tag)


def test_an_assay_is_shown_as_it_was_reported_with_everything_about_its_sample(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot()["code"]
    made = recorded(
        kitchen,
        lot,
        method="HPLC",
        sample_id="S-77",
        reported_on="2026-11-20",
        values=[value("THIA", 0.02, "mg/100g"), value("FAT", 11.2, "g/100g")],
    )
    shown = kitchen.keeper.shown(f"/lots/{lot}/assays")["items"]
    assert shown == [made]
    assert (made["method"], made["sample_id"], made["reported_on"]) == (
        "HPLC",
        "S-77",
        "2026-11-20",
    )
    assert [v["nutrient"] for v in made["values"]] == ["FAT", "THIA"]
    assert (made["values"][1]["amount"], made["values"][1]["unit"]) == (0.2, "mg/kg")
    assert made["findings"] == [] and made["withdrawn"] is None


@pytest.mark.parametrize("said", [{"amount": "<0.1"}, {"amount": None, "below": 0.1}])
def test_less_than_a_detection_limit_counts_as_half_of_it_and_may_be_nothing(
    kitchen: Kitchen, said: dict[str, Any]
) -> None:
    lot = kitchen.a_lot()["code"]
    made = recorded(kitchen, lot, values=[value("RIBF", None, "mg/kg") | said], confirm=True)
    (found,) = made["values"]
    assert (found["reported_text"], found["reported"], found["below"]) == ("<0.1", 0.1, 0.1)
    assert found["amount"] == 0.05
    low, high = left(kitchen, lot, "RIBF")["range"]
    assert low == 0 and high >= 0.1, "whoever asks for an upper bound must count with the limit"


def test_replicates_narrow_what_is_known_of_a_lot(kitchen: Kitchen) -> None:
    one, three, stated = (kitchen.a_lot()["code"] for _ in range(3))
    recorded(kitchen, one, values=[value("FAT", 11, "g/100g")])
    replicates = {"nutrient": "FAT", "replicates": [10.8, 11.0, 11.2], "unit": "g/100g"}
    found = recorded(kitchen, three, values=[replicates])["values"][0]
    assert (found["amount"], found["replicates"]) == (11.0, 3)
    assert found["cv_percent"] == pytest.approx(100 * 0.2 / 11, abs=1e-3)
    recorded(kitchen, stated, values=[value("FAT", 11, "g/100g", replicates=3, cv_percent=1.818)])

    def width(lot: str) -> float:
        low, high = left(kitchen, lot, "FAT")["range"]
        return float(high - low)

    assert width(three) < width(one) / 5
    assert width(stated) == pytest.approx(width(three), rel=0.01)


def test_an_amount_a_thousand_times_the_usual_is_asked_back_and_stored_when_confirmed(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot()["code"]
    slip = assay(values=[value("SE", 0.1, "mg/kg"), value("CA", 90, "g/100g")])
    answer = kitchen.nutritionist.post(f"/lots/{lot}/assays", slip)
    assert answer.status_code == 409 and answer.json()["type"] == "/problems/unlikely-amount"
    assert [e["field"] for e in answer.json()["errors"]] == ["values.1.amount"]
    assert kitchen.keeper.shown(f"/lots/{lot}/assays")["items"] == []
    kitchen.nutritionist.made(f"/lots/{lot}/assays", slip | {"confirm": True})


def test_what_is_usual_comes_from_earlier_assays_where_there_are_three(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    for amount in (1.0, 1.2, 0.9):
        recorded(kitchen, lot, values=[value("VITC", amount, "mg/kg")])
    answer = kitchen.nutritionist.post(
        f"/lots/{lot}/assays", assay(values=[value("VITC", 1, "g/kg")])
    )
    assert answer.status_code == 409
    assert "usual 1" in answer.json()["detail"]
    recorded(kitchen, lot, values=[value("VITC", 0, "mg/kg")])  # a printed nought is no slip


def test_a_withdrawn_assay_stays_in_sight_and_counts_no_more(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    first = recorded(kitchen, lot, values=[value("FAT", 11, "g/100g")])
    second = recorded(kitchen, lot, values=[value("FAT", 3, "g/100g")])
    assert left(kitchen, lot, "FAT")["amount"] == 3
    address = f"/assays/{second['id']}/withdrawal"
    gone = kitchen.nutritionist.made(address, {"reason": "the sample was another lot's"})
    assert gone["withdrawn"]["reason"] == "the sample was another lot's"
    assert left(kitchen, lot, "FAT")["amount"] == 11
    shown = kitchen.keeper.shown(f"/lots/{lot}/assays")["items"]
    assert [(a["id"], a["withdrawn"] is None) for a in shown] == [
        (second["id"], False),
        (first["id"], True),
    ]
    again = kitchen.nutritionist.post(address, {"reason": "once more"})
    assert (again.status_code, again.json()["type"]) == (409, "/problems/already-withdrawn")
    unknown = kitchen.nutritionist.post("/assays/999/withdrawal", {"reason": "nothing"})
    assert (unknown.status_code, unknown.json()["type"]) == (404, "/problems/unknown-assay")


def test_the_assays_of_a_lot_come_page_by_page(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    made = [recorded(kitchen, lot, values=[value("FAT", 9 + i, "g/100g")])["id"] for i in range(3)]
    first = kitchen.keeper.shown(f"/lots/{lot}/assays?limit=2")
    rest = kitchen.keeper.shown(f"/lots/{lot}/assays?limit=2&cursor={first['next']}")
    assert [a["id"] for a in first["items"] + rest["items"]] == made[::-1]
    assert rest["next"] is None


def test_a_lot_out_of_limits_is_held_and_the_answer_says_why(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    made = measured(kitchen, lot, "histamine", [90] * 7 + [150, 201], unit="ppm")
    assert (made["findings"][0]["rule"], made["findings"][0]["outcome"]) == ("histamine", "block")
    assert made["findings"][0]["may_override"] == []
    assert made["tests"][0]["verdict"] == "reject"
    assert status(kitchen, lot) == "held"
    refused = kitchen.keeper.post(
        "/pulls", {"lot": lot, "from_place": "FZ1", "to_place": "TANK1", "mass": "10 kg"}
    )
    assert refused.json()["type"] == "/problems/lot-on-hold"
    kitchen.nutritionist.made(f"/assays/{made['id']}/withdrawal", {"reason": "wrong lot"})
    assert status(kitchen, lot) == "held", "a hold ends when somebody entitled releases it"


def test_capelin_is_of_no_family_that_the_histamine_plan_names(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    made = measured(kitchen, lot, "histamine", [500])
    assert made["findings"] == [] and made["tests"][0]["verdict"] is None
    assert status(kitchen, lot) == "accepted"


def test_no_limit_is_invented_for_the_volatile_nitrogen_of_herring(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    made = measured(kitchen, lot, "tvb_n", [60], unit="mg N/100g")
    assert made["findings"] == [] and made["tests"][0]["verdict"] is None


def test_a_limit_known_from_memory_or_literature_warns_and_does_not_hold(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    for test, much, unit in (("mercury_total", 0.6, "mg/kg"), ("peroxide_value", 9, "meq/kg")):
        made = measured(kitchen, lot, test, [much], unit=unit)
        assert [(f["rule"], f["outcome"]) for f in made["findings"]] == [("chemical-limit", "warn")]
        assert "[" in made["findings"][0]["source"], "the flag of its evidence is shown"
    assert status(kitchen, lot) == "accepted"
    made = measured(kitchen, lot, "dioxins_pcdd_f", [3.6], unit="pg TEQ/g wet")
    assert made["findings"][0]["outcome"] == "block", "a legal limit that was read"
    assert status(kitchen, lot) == "held"


def test_a_test_that_cannot_see_the_limit_says_nothing(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    made = measured(kitchen, lot, "mercury_total", ["<2"])
    assert made["findings"][0]["outcome"] == "warn"
    assert "detection limit" in made["findings"][0]["because"]
    blind = measured(kitchen, lot, "histamine", ["<300"] * 9)["findings"][0]
    assert blind["outcome"] == "warn" and "detection limit" in blind["because"]
    some = measured(kitchen, lot, "histamine", ["<5"] * 8 + ["<300"])["findings"][0]
    assert (some["outcome"], some["numbers"]["samples"]) == ("warn", 8.0)


def test_units_of_one_test_are_brought_to_that_of_its_limit_or_refused(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    made = measured(kitchen, lot, "histamine", [5] * 9, unit="mg/100g")
    assert made["findings"][0]["numbers"]["mean"] == 50.0
    answer = kitchen.nutritionist.post(
        f"/lots/{lot}/assays",
        assay(tests=[{"test": "histamine", "values": [5], "unit": "CFU/g"}]),
    )
    assert answer.status_code == 422
    assert [e["field"] for e in answer.json()["errors"]] == ["tests.0.unit"]


REFUSED: list[tuple[dict[str, Any], str]] = [
    ({"values": [], "tests": []}, "body"),
    ({"values": [value("FAT", "lots", "g/100g")]}, "values.0.amount"),
    ({"values": [value("FAT", ">5", "g/100g")]}, "values.0.amount"),
    ({"values": [value("FAT", -1, "g/100g")]}, "values.0.amount"),
    ({"values": [value("FAT", "NaN", "g/100g")]}, "values.0.amount"),
    ({"values": [value("FAT", 5, "kcal/100g")]}, "values.0.unit"),
    ({"values": [value("FAT", 5, "g/100g", below=1)]}, "values.0"),
    ({"values": [value("FAT", 5, "g/100g", replicates=3)]}, "values.0"),
    ({"values": [value("FAT", None, "g/100g", replicates=[1])]}, None),  # type: ignore[list-item]
    ({"values": [value("FAT", 200, "g/100g")]}, "values.0.amount"),
    ({"tests": [{"test": "magic", "values": [1]}]}, "tests.0.test"),
    ({"tests": [{"test": "histamine", "values": []}]}, "tests.0.values"),
    ({"tests": [{"test": "histamine", "values": ["absent"]}]}, "tests.0"),
    ({"tests": [{"test": "tvb_n", "values": [5], "pooled": 3}]}, "tests.0"),
    ({"sampled_on": "2027-01-01", "values": [value("FAT", 5, "g/100g")]}, "sampled_on"),
    ({"sampled_on": "2026-02-30", "values": [value("FAT", 5, "g/100g")]}, "sampled_on"),
    ({"reported_on": "2026-11-09", "values": [value("FAT", 5, "g/100g")]}, "reported_on"),
]


def test_what_cannot_be_is_refused_by_its_name_and_leaves_nothing(small_kitchen: Kitchen) -> None:
    lot = small_kitchen.a_lot()["code"]
    for more, field in REFUSED:
        answer = small_kitchen.nutritionist.post(f"/lots/{lot}/assays", assay(**more))
        assert answer.status_code == 422, (more, answer.text)
        fields = [e["field"] for e in answer.json()["errors"]]
        assert field is None or field in fields, (more, fields)
    assert small_kitchen.keeper.shown(f"/lots/{lot}/assays")["items"] == []


def test_what_is_due_are_first_sets_the_samples_of_months_and_residues_once_a_year(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot(arrived="2026-09-20T09:00:00Z", caught="2026-08-01")["code"]
    before = kitchen.keeper.shown("/assays/due")["items"]
    assert [(d["why"], d["lot"], d["since"]) for d in before] == [
        ("residues", None, "2026-09-20"),
        ("first-set", lot, "2026-09-20"),
        ("resample", lot, "2026-10-20"),
    ]
    assert before[0]["product"] == "HER-BLOCK-10" and before[0]["on_hand"]["g"] == 100_000
    assert "histamine" in before[1]["missing"]
    recorded(
        kitchen,
        lot,
        values=[
            value(t, a, u)
            for t, a, u in (
                ("WATER", 70, "g/100g"),
                ("PROCNT", 18, "g/100g"),
                ("FAT", 10, "g/100g"),
                ("ASH", 2, "g/100g"),
                ("VITA", 900, "IU/kg"),
                ("VITE", 15, "IU/kg"),
                ("THIA", 0.5, "mg/kg"),
            )
        ],
        tests=[
            {"test": "peroxide_value", "values": [2]},
            {"test": "histamine", "values": [5] * 9},
            {"test": "aerobic_plate_count", "values": [1e4] * 5},
            {"test": "escherichia_coli", "values": [1] * 5},
            {"test": "salmonella", "values": ["absent"] * 5},
            {"test": "mercury_total", "values": [0.05]},
            {"test": "pcb6_ndl", "values": [8], "unit": "ng/g"},
        ],
    )
    assert kitchen.keeper.shown("/assays/due")["items"] == []
    kitchen.clock.forward(days=366)
    again = kitchen.keeper.shown("/assays/due")["items"]
    assert [(d["why"], d["missing"]) for d in again] == [
        ("resample", []),
        ("residues", ["mercury_total", "pcb6_ndl"]),
    ]


def test_fish_that_is_used_up_wants_no_laboratory(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot(mass="10 kg")["code"]
    kitchen.pulled(lot, "10 kg")
    due = kitchen.keeper.shown("/assays/due")["items"]
    assert all(d["on_hand"]["g"] > 0 for d in due)


def test_what_is_due_takes_as_many_statements_for_many_lots_as_for_few(kitchen: Kitchen) -> None:
    def sent() -> int:
        with counted(kitchen) as statements:
            assert kitchen.keeper.shown("/assays/due")["items"]
        return len(statements)

    kitchen.a_lot()
    sent()
    few = sent()
    for _ in range(5):
        kitchen.a_lot(mass="10 kg")
    assert sent() == few
