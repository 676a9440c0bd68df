"""Reading a label: what its codes say, our product with its GTIN, the line of a delivery."""

from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime

from sqlmodel import Session

from service.barcodes.rules.elements import Code, CodeKind, Element, read_code
from service.barcodes.rules.identifiers import identifiers
from service.barcodes.rules.own import own_kind
from service.catalogue.models import Product
from service.catalogue.rules import species_facts
from service.errors import FieldError, Invalid
from service.labels import queries
from service.labels.rules.carton import Printed, Said, several_cartons, together
from service.labels.rules.prefill import (
    Line,
    ProductFacts,
    against_product,
    line_of,
    missing_for_receiving,
)
from service.labels.schemas import (
    CodeOut,
    CountryOut,
    ElementOut,
    LabelOut,
    LabelTexts,
    LineOut,
    OwnOut,
    ProductFound,
    SaidOut,
    UnknownElement,
)
from service.quantities import Mass, MassOut, Temperature, TemperatureOut, Units
from service.security.actor import Actor

ONE_AT_A_TIME = "Read one carton or pallet at a time: its codes and no others."


def read_texts(session: Session, sent: LabelTexts, *, at: datetime, by: Actor) -> LabelOut:
    """What scanned or typed codes of one carton or pallet say.

    Raises Invalid naming each text at fault, with what could be read all the same.
    """
    texts = sent.texts or [sent.text or ""]
    codes = [read_code(text, at.date()) for text in texts]
    names = ["text"] if sent.texts is None else [f"texts.{i}" for i in range(len(texts))]
    errors = [e for name, code in zip(names, codes, strict=True) for e in _wrong(name, code)]
    return _answer(session, codes, errors, at=at, by=by)


def read_barcodes(
    session: Session, found: Sequence[tuple[str, str]], *, at: datetime, by: Actor
) -> LabelOut:
    """What the barcodes of a photo say: (text, symbology identifier) of each.

    Codes of something else beside the label are listed and do no harm. Raises Invalid
    where none is of a label, one is misprinted, or they are of several cartons.
    """
    codes = [read_code(text, at.date(), symbology) for text, symbology in found]
    labels = [code for code in codes if code.kind is not CodeKind.OTHER]
    errors = [e for code in labels for e in _wrong("body", code)]
    if not labels:
        shown = ", ".join(repr(code.text[:40]) for code in codes)
        errors = [FieldError("body", f"no barcode is of a label, of GS1 or ours: {shown}")]
    elif apart := several_cartons(codes):
        raise Invalid(
            f"the photo shows {len(codes)} barcodes of different cartons: "
            f"{', '.join(apart).replace('_', ' ')} differ",
            kind="several-cartons",
            advice=ONE_AT_A_TIME,
            errors=[FieldError("body", "barcodes of different cartons")],
            extra={"codes": [code_out(code).model_dump(mode="json") for code in codes]},
        )
    return _answer(session, codes, errors, at=at, by=by)


def _wrong(name: str, code: Code) -> list[FieldError]:
    if code.kind is CodeKind.OTHER:
        return [FieldError(name, f"{code.text[:40]!r} is neither a GS1 code nor one of ours")]
    if not (code.elements or code.unknown or code.faults or code.kind is CodeKind.OURS):
        return [FieldError(name, "this code is empty")]
    return [
        FieldError(name, f"({fault.ai}) {fault.because}" if fault.ai else fault.because)
        for fault in code.faults
    ]


def _answer(
    session: Session,
    codes: Sequence[Code],
    errors: Sequence[FieldError],
    *,
    at: datetime,
    by: Actor,
) -> LabelOut:
    label = _label(session, codes, at=at, by=by)
    if errors:
        raise Invalid(
            "; ".join(f"{e.field}: {e.message}" for e in errors[:5]),
            advice="Scan it again, or take what is wrong from the papers: `read` has the rest.",
            errors=errors,
            extra={"read": label.model_dump(mode="json")},
        )
    return label


def _label(session: Session, codes: Sequence[Code], *, at: datetime, by: Actor) -> LabelOut:
    """One label from all codes. At most two queries."""
    ours = _ours(session, codes, by=by)
    gs1 = [code for code in codes if code.kind is CodeKind.GS1]
    shown = LabelOut(ours=ours, codes=[code_out(code) for code in codes])
    if not gs1:
        return shown
    found = together(gs1, at.date())
    printed = found.printed
    products = queries.products_of_gtin(session, printed.gtin) if printed.gtin else ()
    product = _facts(products[0]) if len(products) == 1 else None
    contradictions = [*found.contradictions, *_about_products(printed, products, product)]
    line = line_of(printed, product, {said.field for said in contradictions})
    missing = (*found.missing, *missing_for_receiving(printed, product))
    return shown.model_copy(
        update={
            **_printed_out(printed),
            "product": _product_out(products[0]) if product else None,
            "line": _line_out(line),
            "missing": _said_out(missing),
            "contradictions": _said_out(contradictions),
            "unknown": [UnknownElement(**asdict(e)) for code in gs1 for e in code.unknown],
        }
    )


def _ours(session: Session, codes: Sequence[Code], *, by: Actor) -> OwnOut | None:
    """Our label among the codes, if there is one and it was read right."""
    for code in codes:
        kind = own_kind(code.text) if code.kind is CodeKind.OURS and not code.faults else None
        if kind is not None:
            known = queries.own_is_known(session, kind, code.text, by=by)
            return OwnOut(kind=kind, code=code.text, known=known)
    return None


def _facts(product: Product) -> ProductFacts:
    return ProductFacts(product.code, product.species_code, product.carton_g)


def _about_products(
    printed: Printed, products: Sequence[Product], product: ProductFacts | None
) -> list[Said]:
    if product is not None:
        return list(against_product(printed, product))
    if len(products) > 1:
        codes = ", ".join(each.code for each in products)
        return [Said("gtin", f"several of our products have GTIN {printed.gtin}: {codes}")]
    return []


def _printed_out(printed: Printed) -> dict[str, object]:
    known = species_facts().get(printed.species or "")
    return vars(printed) | {
        "species_name": known.name if known else None,
        "mass": _mass_out(printed.mass),
        "max_temperature": _temperature_out(printed.max_temperature),
        "origin_countries": [CountryOut.model_validate(c) for c in printed.origin_countries],
    }


def _mass_out(mass: Mass | None) -> MassOut | None:
    if mass is None:
        return None
    return MassOut(value=float(mass.value), unit=mass.unit, g=mass.grams)


def _temperature_out(said: Temperature | None) -> TemperatureOut | None:
    if said is None:
        return None
    return TemperatureOut(value=float(said.value), unit=said.unit, c=round(said.c, 2))


def _line_out(line: Line) -> LineOut:
    mass = f"{line.mass.value.normalize():f} {line.mass.unit}" if line.mass else None
    return LineOut(**vars(line) | {"mass": mass})


def _said_out(said: Sequence[Said]) -> list[SaidOut]:
    return [SaidOut.model_validate(each) for each in dict.fromkeys(said)]


def _product_out(product: Product) -> ProductFound:
    return ProductFound(
        code=product.code,
        species=product.species_code,
        carton_mass=Units().mass_out(product.carton_g),
    )


def code_out(code: Code) -> CodeOut:
    """A code as it is shown."""
    return CodeOut(
        text=code.text,
        symbology=code.symbology,
        kind=code.kind,
        elements=[_element_out(e) for e in (*code.elements, *code.unknown)],
    )


def _element_out(element: Element) -> ElementOut:
    known = identifiers().get(element.ai)
    return ElementOut(ai=element.ai, title=known.title if known else None, value=element.value)
