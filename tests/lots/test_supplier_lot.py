"""A supplier's lot code is found however it was written down."""

import ast
import importlib.util
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import text

from service.lots.rules import plain_supplier_lot, supplier_lot_key, supplier_lot_readings
from tests.architecture.addresses import ROOT
from tests.kitchen import Kitchen

written = st.text() | st.text("OIL01 -./2A\u2013\uff21\u0663", max_size=12)


@pytest.mark.parametrize("other", ["a 77", "A-77", "A.7/7", "Ａ７７", "a\u201177\n", "A\u00a077"])
def test_case_width_spaces_dashes_dots_and_slashes_make_no_other_code(other: str) -> None:
    assert plain_supplier_lot(other) == "A77"
    assert supplier_lot_key(other) == supplier_lot_key("A77")


ALIKE = [
    ("L0-7", "LO 7"),
    ("I12", "112"),
    ("L12", "112"),
    ("A0077", "A77"),
    ("B100", "b-1O0"),
    ("L007", "L7"),
    ("L-007", "1007"),
    ("LO07", "LO7"),
    ("A1-007", "A1-7"),
    ("LO0077", "1077"),
    ("A1-007", "A1007"),
]
DIFFERENT = [("A77", "A78"), ("A70", "A7"), ("A0", "A"), ("8", "B"), ("20261105", "20261015")]


def look_alike(one: str, other: str) -> bool:
    return bool(supplier_lot_readings(one) & supplier_lot_readings(other))


@pytest.mark.parametrize(("one", "other"), ALIKE)
def test_codes_that_are_easily_taken_for_one_another_look_alike(one: str, other: str) -> None:
    assert look_alike(one, other)
    assert supplier_lot_key(one) == supplier_lot_key(other)


@pytest.mark.parametrize(("one", "other"), DIFFERENT)
def test_different_codes_do_not_look_alike(one: str, other: str) -> None:
    assert not look_alike(one, other)


@given(written)
def test_whatever_looks_alike_is_found_by_the_stored_key(code: str) -> None:
    key = supplier_lot_key(code)
    for reading in supplier_lot_readings(code):
        assert supplier_lot_key(reading) == key
    assert supplier_lot_key(plain_supplier_lot(code)) == key
    assert (key is None) == (not supplier_lot_readings(code))


@given(written, st.text(" -./\u2013", max_size=3), st.integers(0, 12))
def test_the_same_code_with_other_separators_looks_alike(code: str, mark: str, at: int) -> None:
    other = code[:at] + mark + code[at:]
    if plain_supplier_lot(other) == plain_supplier_lot(code) and supplier_lot_key(code):
        assert look_alike(other, code)


@given(written)
def test_lots_from_before_get_the_key_that_new_ones_get(code: str) -> None:
    assert _migration().key_of(code) == supplier_lot_key(code)


def test_a_received_lot_carries_its_key(kitchen: Kitchen) -> None:
    kitchen.a_lot(supplier_lot="lo-07 ")
    kitchen.a_lot(supplier_lot="///")
    kitchen.a_lot()
    with kitchen.looking() as session:
        rows = session.execute(text("SELECT supplier_lot_key FROM lot ORDER BY id")).scalars()
        assert list(rows) == ["17", None, None]


def test_nobody_makes_a_lot_without_its_key() -> None:
    made = [
        {keyword.arg for keyword in node.keywords}
        for path in (ROOT / "service").rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.Call) and ast.unparse(node.func) == "Lot"
    ]
    assert made
    assert all("supplier_lot_key" in names for names in made if "supplier_lot" in names)


def _migration() -> Any:
    path = ROOT / "alembic" / "versions" / "0005_recall.py"
    spec = importlib.util.spec_from_file_location("step_0005", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
