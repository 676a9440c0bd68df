"""What the service says of published plans and limits, with the source beside each.

The plans as arithmetic are in `test_sampling.py`; here they are asked of the service.
"""

from typing import Any

import pytest

from tests.assays.test_assays import measured, status
from tests.kitchen import Kitchen

# Reg. (EC) 2073/2005, annex I, 1.26 [read where industry guidance and UK legislation quote it]:
# nine samples; mean at most 100 mg/kg; at most two between 100 and 200; none above 200.
HISTAMINE: list[tuple[list[Any], str]] = [
    ([90] * 7 + [150, 180], "reject"),  # c holds, the mean of 106.7 does not: T21
    ([60] * 7 + [150, 199], "accept"),  # T22
    ([50] * 8 + [201], "reject"),  # T23
    ([50] * 6 + [110, 120, 130], "reject"),  # T23
    ([20] * 8, "warn"),  # T24: eight values accept nothing
    (["<5"] * 9, "accept"),
]


@pytest.mark.parametrize(("values", "verdict"), HISTAMINE)
def test_the_nine_sample_rule_of_regulation_2073_2005_decides_over_a_lot(
    small_kitchen: Kitchen, values: list[Any], verdict: str
) -> None:
    lot = small_kitchen.a_lot()["code"]
    made = measured(small_kitchen, lot, "histamine", values)
    assert {"accept": "pass", "reject": "block", "warn": "warn"}[verdict] == made["findings"][0][
        "outcome"
    ]
    assert status(small_kitchen, lot) == ("held" if verdict == "reject" else "accepted")


# ICMSF 1986, table 27 [read]: fresh or frozen fish, aerobic plate count n 5, c 3, m 5·10⁵,
# M 10⁷; Escherichia coli n 5, c 3, m 11, M 500. Supplement [read]: salmonella n 5, c 0, absent
# in 25 g; Staphylococcus aureus n 5, c 2, m 10³, M 10⁴.
ICMSF: list[tuple[str, list[Any], str]] = [
    ("aerobic_plate_count", [4e5, 6e5, 6e5, 6e5, 4e5], "accept"),  # T25
    ("aerobic_plate_count", [6e5, 6e5, 6e5, 6e5, 4e5], "reject"),  # T26
    ("aerobic_plate_count", [1e5, 1e5, 1e5, 1e5, 1.1e7], "reject"),  # T26
    ("aerobic_plate_count", [1e5] * 4, "warn"),
    ("escherichia_coli", ["<3", 11, 12, 500, 200], "accept"),
    ("escherichia_coli", ["<3", "<3", "<3", "<3", 501], "reject"),
    ("salmonella", ["absent"] * 5, "accept"),
    ("salmonella", ["absent"] * 4 + ["present"], "reject"),
    ("staphylococcus_aureus", [1500, 1500, 500, 500, 500], "accept"),
    ("staphylococcus_aureus", [1500, 1500, 1500, 500, 500], "reject"),
]


@pytest.mark.parametrize(("test", "values", "verdict"), ICMSF)
def test_the_attribute_plans_of_icmsf_1986_decide_over_a_lot(
    small_kitchen: Kitchen, test: str, values: list[Any], verdict: str
) -> None:
    lot = small_kitchen.a_lot()["code"]
    made = measured(small_kitchen, lot, test, values)
    assert made["tests"][0]["verdict"] == verdict
    assert status(small_kitchen, lot) == ("held" if verdict == "reject" else "accepted")


# Dec. 95/149/EC, Reg. (EC) 2074/2005 [read]: 35 mg of total volatile nitrogen in 100 g for the
# families of cods and hakes; no limit for herring, mackerel, capelin and sprat.
def test_volatile_nitrogen_is_limited_in_cods_only(small_kitchen: Kitchen) -> None:
    product = {
        "code": "WHB-IQF",
        "species": "WHB",
        "supplier": "NORD",
        "form": "iqf",
        "carton_mass": "10 kg",
    }
    small_kitchen.manager.made("/products", product)
    cod = small_kitchen.a_lot(product="WHB-IQF")["code"]
    assert measured(small_kitchen, cod, "tvb_n", [35])["tests"][0]["verdict"] == "accept"
    assert measured(small_kitchen, cod, "tvb_n", [35.1])["tests"][0]["verdict"] == "reject"
    herring = small_kitchen.a_lot()["code"]
    assert measured(small_kitchen, herring, "tvb_n", [60])["findings"] == []
