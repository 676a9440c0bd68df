"""Invented photos of labels: barcodes on cartons on a bench, as a telephone sees them."""

import io
from random import Random

import numpy as np
import zxingcpp
from PIL import Image, ImageFilter

FORMATS = {
    "datamatrix": zxingcpp.BarcodeFormat.DataMatrix,
    "qr": zxingcpp.BarcodeFormat.QRCode,
    "code128": zxingcpp.BarcodeFormat.Code128,
}


def barcode(text: str, kind: str = "datamatrix", module: int = 6) -> Image.Image:
    """A barcode in black on white; GS1 where the text is bracketed."""
    gs1 = text.startswith("(")
    made = zxingcpp.create_barcode(text, FORMATS[kind], gs1=gs1)
    return Image.fromarray(np.asarray(made.to_image(scale=module)))


def on_a_bench(
    *labels: Image.Image,
    size: tuple[int, int] = (1600, 1200),
    degrees: float = 0.0,
    blur: float = 0.0,
    contrast: float = 1.0,
) -> Image.Image:
    """Labels side by side on a grey, grainy ground."""
    grain = np.random.default_rng(1).normal(150, 12, (size[1], size[0])).clip(0, 255)
    ground = Image.fromarray(grain.astype(np.uint8))
    chance, x, y, highest = Random(1), 60, 60, 0
    for label in labels:
        paper = Image.new("L", (label.width + 60, label.height + 60), 235)
        paper.paste(label, (30, 30))
        mask = Image.new("L", paper.size, 255)
        paper, mask = (
            each.rotate(degrees, Image.Resampling.BICUBIC, expand=True) for each in (paper, mask)
        )
        if x + paper.width > size[0]:
            x, y, highest = 60, y + highest + chance.randint(10, 30), 0
        ground.paste(paper, (x, y), mask)
        x, highest = x + paper.width + chance.randint(10, 30), max(highest, paper.height)
    if blur:
        ground = ground.filter(ImageFilter.GaussianBlur(blur))
    return ground.point(lambda v: 128 + (v - 128) * contrast)


def as_file(picture: Image.Image, kind: str = "JPEG") -> bytes:
    out = io.BytesIO()
    picture.convert("RGB").save(out, kind, quality=85)
    return out.getvalue()


def scanned(picture: bytes | Image.Image) -> list[str]:
    """What an independent reader finds."""
    if isinstance(picture, bytes):
        picture = Image.open(io.BytesIO(picture)).convert("L")
    return [code.text for code in zxingcpp.read_barcodes(picture)]
