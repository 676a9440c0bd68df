"""`fishhouse bench receiving`: what somebody at the truck waits for, in one run.

Figures are processor time, the best of some runs; the time on the wall stands beside.
What else belongs to receiving adds its figures to `MEASURES`.
"""

import io
import json
from collections.abc import Callable, Iterator
from datetime import date
from functools import partial

import numpy as np

from service.bench.figures import Figure
from service.bench.run import machine
from service.bench.science import spent

TODAY = date(2026, 11, 25)
LABEL = (
    "]d20109506000134352"
    "3102001000"
    "7007260801260803\x1d"
    "10A77\x1d"
    "7006260804\x1d"
    "7008HER\x1d"
    "700527.4.A\x1d"
    "701001\x1d"
    "422578"
)
TELEPHONE = (4000, 3000)  # 12 million pixels
MODULE = 8  # pixels: a label of 4 cm in a picture half a metre wide
PLACE = (500, 700)  # where in the picture the label lies


def run_receiving_bench(as_json: bool) -> int:
    """Measure and print. Returns 0 whether or not the targets are met."""
    figures = []
    for figure in measure():
        figures.append(figure)
        if not as_json:
            print(figure.sentence(), flush=True)
    if as_json:
        document = {"machine": machine(), "figures": [f.model_dump() for f in figures]}
        print(json.dumps(document, indent=2, ensure_ascii=False))
    return 0


def measure() -> Iterator[Figure]:
    """Every figure of receiving."""
    for each in MEASURES:
        yield from each()


def _label_string() -> Iterator[Figure]:
    """From the scanner's text to what the label says, without the look-up of the product."""
    from service.barcodes.rules.elements import read_code  # noqa: PLC0415
    from service.labels.rules.carton import together  # noqa: PLC0415 - only when measured

    yield milliseconds(
        "a label's text read",
        lambda: together([read_code(LABEL, TODAY)], TODAY),
        runs=50,
        target=5.0,
        characters=len(LABEL),
    )


def _photo() -> Iterator[Figure]:
    """From the telephone's JPEG to the text of its barcode, for each kind of barcode."""
    from service.labels.actions.photos import barcodes  # noqa: PLC0415 - only when measured

    for kind in ("DataMatrix", "QRCode", "Code128"):
        photo = telephone_photo(kind)
        assert len(barcodes(photo)) == 1, f"the {kind} of the bench is read"
        yield milliseconds(
            f"a 12-megapixel photo of a {kind}",
            partial(barcodes, photo),
            runs=5,
            target=300.0,
            bytes=len(photo),
        )


def milliseconds(
    name: str, work: Callable[[], object], *, runs: int, target: float, **detail: object
) -> Figure:
    """A figure in ms of the processor."""
    cost = spent(work, runs)
    return Figure(
        name=name,
        database="none",
        value=float(f"{cost.processor_s * 1000:.4g}"),
        unit="ms",
        target=target,
        less_is_better=True,
        detail={"wall": float(f"{cost.wall_s * 1000:.4g}"), **detail},
    )


def telephone_photo(kind: str) -> bytes:
    """A label of a carton, a little turned and out of focus, on grainy grey, as JPEG."""
    import zxingcpp  # noqa: PLC0415 - only when measured
    from PIL import Image, ImageFilter  # noqa: PLC0415

    text = "(01)09506000134352(3102)001000(10)A77"
    made = zxingcpp.create_barcode(text, zxingcpp.barcode_format_from_str(kind), gs1=True)
    label = Image.fromarray(np.asarray(made.to_image(scale=MODULE)))
    grain = np.random.default_rng(1).normal(150, 20, TELEPHONE[::-1]).clip(0, 255)
    ground = Image.fromarray(grain.astype(np.uint8))
    paper = Image.new("L", (label.width + 200, label.height + 200), 235)
    paper.paste(label, (100, 100))
    mask = Image.new("L", paper.size, 255)
    turned, mask = (each.rotate(3, Image.Resampling.BICUBIC, expand=True) for each in (paper, mask))
    ground.paste(turned, PLACE, mask)
    out = io.BytesIO()
    ground.filter(ImageFilter.GaussianBlur(1.5)).convert("RGB").save(out, "JPEG", quality=85)
    return out.getvalue()


def _recall() -> Iterator[Figure]:
    """A recall over five years of feeds, on each database; making them takes minutes."""
    from service.bench import databases, recall  # noqa: PLC0415 - only when measured

    for kind in databases.kinds():
        yield from recall.measure(kind)


MEASURES: list[Callable[[], Iterator[Figure]]] = [_label_string, _photo, _recall]
