"""Lists: page by page, as a table, and with cursors that nobody has given."""

import base64
import csv
import io
import json
from typing import Any

import pytest

from tests.kitchen import Kitchen, Person

CURSOR_LISTS = (
    "/lots",
    "/lots?order=use_first",
    "/stock",
    "/thaw-batches",
    "/deliveries",
    "/excursions",
    "/deviations",
    "/audit",
    "/holds",
)


def as_cursor(key: Any) -> str:
    return base64.urlsafe_b64encode(json.dumps(key).encode()).decode().rstrip("=")


def pages(who: Person, address: str, limit: int) -> list[list[dict[str, Any]]]:
    """All pages of a list by its own cursors."""
    joint = "&" if "?" in address else "?"
    answer = who.shown(f"{address}{joint}limit={limit}")
    found = [answer["items"]]
    while answer["next"] is not None:
        answer = who.shown(f"{address}{joint}limit={limit}&cursor={answer['next']}")
        found.append(answer["items"])
        assert len(found) < 100
    return found


def table(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


NEVER_GIVEN = [
    "x",
    "é",
    "!!!",
    "a" * 501,
    as_cursor([]),
    as_cursor(["a", "b", "c"]),
    as_cursor([2**70, 2**70]),
    as_cursor([2**40]),
    as_cursor([-1]),
    as_cursor(["2026-08-01", 2**40]),
    as_cursor(["yesterday", 1]),
    as_cursor(["2026-08-01\0", 1]),
    as_cursor([1.5]),
    as_cursor([True]),
    as_cursor({"id": 1}),
    as_cursor(None),
]


@pytest.mark.parametrize("listed", CURSOR_LISTS)
def test_a_cursor_that_the_list_has_not_given_is_refused_by_name(
    small_kitchen: Kitchen, listed: str
) -> None:
    for cursor in NEVER_GIVEN:
        params = {"cursor": cursor} | ({"order": "use_first"} if "order" in listed else {})
        answer = small_kitchen.manager.get(listed.split("?", maxsplit=1)[0], params=params)
        assert answer.status_code == 422, (cursor, answer.text)
        assert answer.headers["content-type"] == "application/problem+json"
        assert [error["field"] for error in answer.json()["errors"]] == ["cursor"]


def test_pages_of_a_list_give_every_row_once_and_in_one_order(kitchen: Kitchen) -> None:
    for day in ("2026-08-03", "2026-08-01", "2026-08-02", "2026-08-01", "2026-08-02"):
        kitchen.a_lot(caught=day, mass="10 kg")
    for listed in ("/lots", "/lots?order=use_first", "/stock", "/deliveries"):
        whole = pages(kitchen.manager, listed, 500)
        assert len(whole) == 1 and len(whole[0]) == 5
        for limit in (1, 2, 5):
            by_page = pages(kitchen.manager, listed, limit)
            assert [row for page in by_page for row in page] == whole[0]
            assert [len(page) for page in by_page[:-1]] == [limit] * (len(by_page) - 1)
            assert 0 < len(by_page[-1]) <= limit


def test_use_first_is_the_order_of_catch_whatever_the_order_of_arrival(kitchen: Kitchen) -> None:
    for day in ("2026-08-03", "2026-08-01", "2026-08-02"):
        kitchen.a_lot(caught=day, mass="10 kg")
    rows = [row for page in pages(kitchen.manager, "/lots?order=use_first", 1) for row in page]
    assert [row["caught_from"] for row in rows] == ["2026-08-01", "2026-08-02", "2026-08-03"]


def test_the_audit_trail_pages_backwards_and_misses_nothing(kitchen: Kitchen) -> None:
    rows = [row for page in pages(kitchen.manager, "/audit", 3) for row in page]
    for chain in {row["chain"] for row in rows}:
        numbers = [row["number"] for row in rows if row["chain"] == chain]
        assert numbers == list(range(len(numbers), 0, -1))


def test_a_list_is_the_same_as_a_table_when_a_table_is_asked_for(small_kitchen: Kitchen) -> None:
    lot = small_kitchen.a_lot(mass="100 kg")
    shown = small_kitchen.manager.shown("/stock")["items"][0]
    answer = small_kitchen.manager.get("/stock", headers={"Accept": "text/csv"})
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    (row,) = table(answer.text)
    assert row["lot"] == lot["code"]
    assert row["mass.g"] == str(shown["mass"]["g"]) == "100000"
    assert row["mass.unit"] == "kg"
    assert row["thaw_batch"] == ""
    # RFC 4180, section 2: lines end with CRLF.
    assert answer.text.count("\r\n") == answer.text.count("\n") == 2


def test_a_table_of_many_pages_gives_its_next_cursor_in_a_header(small_kitchen: Kitchen) -> None:
    for _ in range(3):
        small_kitchen.a_lot(mass="10 kg")
    as_table = {"Accept": "text/csv"}
    first = small_kitchen.manager.get("/lots?limit=2", headers=as_table)
    cursor = first.headers["x-next-cursor"]
    second = small_kitchen.manager.get(f"/lots?limit=2&cursor={cursor}", headers=as_table)
    assert "x-next-cursor" not in second.headers
    codes = [row["code"] for row in table(first.text) + table(second.text)]
    assert codes == [row["code"] for row in small_kitchen.manager.shown("/lots")["items"]]


def test_a_name_that_a_spreadsheet_would_run_stays_text(small_kitchen: Kitchen) -> None:
    """OWASP, "CSV Injection": cells that begin with =, +, -, @, tab or return."""
    for number, start in enumerate("=+-@"):
        small_kitchen.manager.made("/suppliers", {"code": f"S{number}", "name": f"{start}1+1"})
    answer = small_kitchen.manager.get("/suppliers", headers={"Accept": "text/csv"})
    names = [row["name"] for row in table(answer.text)]
    assert not [name for name in names if name[0] in "=+-@\t\r"]
    assert "'=1+1" in names
    shown = [s["name"] for s in small_kitchen.manager.shown("/suppliers")["items"]]
    assert "=1+1" in shown, "only the table is made safe; what was said is kept"


def test_a_refusal_stays_a_problem_document_when_a_table_is_asked_for(
    small_kitchen: Kitchen,
) -> None:
    answer = small_kitchen.manager.get("/stock?lot=NONE", headers={"Accept": "text/csv"})
    assert answer.status_code == 404
    assert answer.headers["content-type"] == "application/problem+json"


def test_a_list_without_rows_is_an_empty_table(small_kitchen: Kitchen) -> None:
    answer = small_kitchen.manager.get("/excursions", headers={"Accept": "text/csv"})
    assert answer.status_code == 200
    assert table(answer.text) == []
