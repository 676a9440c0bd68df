"""Fish that is there already, entered at a desk."""

from tests.kitchen import Kitchen
from tests.pages.visiting import visitor

LINE = {
    "lines.2.place": "FZ1",
    "lines.2.product": "HER-BLOCK-10",
    "lines.2.supplier_lot": "N-17",
    "lines.2.caught_from": "2026-08-01",
    "lines.2.cartons": "5",
    "lines.4.place": "FZ2",
}
TABLE = "place,product,caught_from,cartons\nFZ1,HER-BLOCK-10,2026-08-01,3\nNOWHERE,CAP-IQF-12,,1\n"


def test_what_lies_in_the_freezers_is_checked_first_and_then_in_the_books(kitchen: Kitchen) -> None:
    who = visitor(kitchen, "manager")
    assert "Enter it in the books" in who.page("/settings/opening")
    checked = who.post("/settings/opening/check", LINE)
    assert checked.status_code == 200 and "FZ1, HER: 1 lots, 50.0 kg" in checked.text
    assert kitchen.keeper.shown("/lots")["items"] == []
    once = LINE | {"_key": "one-form"}
    assert who.sent("/settings/opening", once) == who.sent("/settings/opening", once) == "/stock"
    (lot,) = kitchen.keeper.shown("/lots")["items"]
    assert kitchen.balance()["parcels"] == 50_000 and lot["supplier_lot"] == "N-17"


def test_a_table_with_a_wrong_line_names_it_and_stores_none(kitchen: Kitchen) -> None:
    who = visitor(kitchen, "manager")
    refused = who.post("/settings/opening", {}, files={"table": ("t.csv", TABLE.encode())})
    assert refused.status_code == 422 and "NOWHERE" in refused.text
    nothing = who.post("/settings/opening", {})
    assert nothing.status_code == 422 and "choose a table" in nothing.text
    assert kitchen.keeper.shown("/lots")["items"] == []
    assert visitor(kitchen, "commissary").get("/settings/opening").status_code == 403
