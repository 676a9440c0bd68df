"""Which lot a carton's label is of."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from service.barcodes.rules.elements import Code, CodeKind, read_code
from service.barcodes.rules.own import OwnKind, own_kind


@dataclass(frozen=True)
class Carton:
    """What a label says of its lot: our own code, or the supplier's."""

    ours: str | None = None
    gtin: str | None = None
    supplier_lot: str | None = None

    def __str__(self) -> str:
        return self.ours or f"supplier lot {self.supplier_lot}"


def carton_of(texts: Sequence[str], today: date) -> Carton:
    """The lot that the codes of one carton name.

    Raises ValueError for a code that was misread or is something else, and for codes that
    name no lot.

    >>> carton_of(["HER261125AAN"], date(2026, 11, 25)).ours
    'HER261125AAN'
    >>> carton_of(["(01)09521234543213(10)A77"], date(2026, 11, 25)).supplier_lot
    'A77'
    """
    codes = [read_code(text, today) for text in texts]
    for code in codes:
        _check(code)
    ours = {code.text for code in codes if code.kind is CodeKind.OURS}
    said = {ai: _said(codes, ai) for ai in (("01", "02"), ("10",))}
    if len(ours) > 1 or any(len(values) > 1 for values in said.values()):
        raise ValueError("codes of different cartons: scan one carton at a time")
    gtin, supplier_lot = (next(iter(values), None) for values in said.values())
    if not ours and supplier_lot is None:
        raise ValueError("this code does not name the lot: scan the carton's other code")
    return Carton(next(iter(ours), None), gtin, supplier_lot)


def _check(code: Code) -> None:
    shown = repr(code.text[:40])
    if code.faults:
        raise ValueError(f"{shown}: {code.faults[0].because}")
    if code.kind is CodeKind.OTHER:
        raise ValueError(f"{shown} is neither a GS1 code nor one of ours")
    if code.kind is CodeKind.OURS and own_kind(code.text) is not OwnKind.LOT:
        raise ValueError(f"{shown} is not the label of a lot")


def _said(codes: Sequence[Code], identifiers: Sequence[str]) -> set[str]:
    return {e.value for code in codes for e in code.elements if e.ai in identifiers}
