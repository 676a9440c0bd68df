"""The barcodes of a photo. Nothing of the photo is kept.

What a body is, is told by its content; its size in pixels by its head, before anything
is decoded. One photo at a time in a process: a decoded one takes up to 100 MB.
"""

import io
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from threading import Lock
from time import perf_counter
from typing import TYPE_CHECKING

from service.errors import FieldError, Invalid, UnknownMedia
from service.photos.rules import NotAPhoto, kind_of

if TYPE_CHECKING:
    from PIL.Image import Image

# What a telephone makes; a JPEG is decoded small at once, others whole.
MOST_PIXELS: Mapping[str, int] = {
    "JPEG": 50_000_000,
    "PNG": 25_000_000,
    "WEBP": 25_000_000,
}
LINES = "Code128,EANUPC,ITF,DataBar"
SQUARES_AND_LINES = f"DataMatrix,QRCode,{LINES}"
LEAST_SIDE = 20  # pixels: the smallest barcode has ten modules a side and a margin
FIRST_SIDE, LARGEST_SIDE = 2000, 4000  # pixels of the longer side
BUDGET_S = 2.0  # no other attempt begins after this
KNOWN_HEADS: Mapping[bytes, str] = {
    b"%PDF": "a PDF",
    b"GIF8": "a GIF",
    b"PK\x03\x04": "a ZIP archive or spreadsheet",
    b"ftyphei": "a HEIC photo",
    b"ftypmif1": "a HEIC photo",
}
ADVICE = "Send a photo as JPEG, PNG or WebP, or the text that a scanner reads."
CLOSER = (
    "Go closer until the barcode fills a third of the picture, hold still, wipe frost off; "
    "or send the text below the barcode."
)
_one_at_a_time = Lock()


def barcodes(body: bytes) -> list[tuple[str, str]]:
    """The (text, symbology identifier) of each barcode in a photo, as it lies.

    First as it is, scaled down; where nothing is found in full size, turned, sharpened and
    enlarged, for two seconds at most. Raises UnknownMedia where the body is no picture,
    Invalid where it is damaged, has too many pixels, or shows no barcode.
    """
    kind = picture_kind(body)
    with _one_at_a_time:
        begin = perf_counter()
        for attempt in _attempts(body, kind):
            found = attempt()
            if found:
                return found
            if perf_counter() - begin > BUDGET_S:
                break
    raise Invalid("no barcode was found in the photo", kind="no-barcode", advice=CLOSER)


def picture_kind(body: bytes) -> str:
    """JPEG, PNG or WEBP, by the first bytes. Raises UnknownMedia, saying what it is instead."""
    try:
        return kind_of(body).name
    except NotAPhoto as error:
        what = next((w for head, w in KNOWN_HEADS.items() if head in body[:12]), None)
        what = what or ("nothing known here" if body else "empty")
        raise UnknownMedia(
            f"the body is {what}, not a JPEG, PNG or WebP picture",
            advice=ADVICE,
            errors=[FieldError("body", f"is {what}")],
        ) from error


def _attempts(body: bytes, kind: str) -> Iterator[Callable[[], list[tuple[str, str]]]]:
    """Looks at the photo, each time treated otherwise; the likeliest first."""
    from PIL import Image, ImageFilter, ImageOps  # noqa: PLC0415 - heavy, only for photos

    small = _opened(body, kind, FIRST_SIDE)
    yield lambda: _decode(small)
    full = _opened(body, kind, LARGEST_SIDE)
    if full.size != small.size:
        yield lambda: _decode(full)
    for degrees in (20, 70, 40, 50, 10, 80, 30, 60):
        yield partial(_decode_turned, full, degrees)
    sharp = ImageOps.autocontrast(small, cutoff=1).filter(ImageFilter.UnsharpMask(3, 200, 0))
    yield lambda: _decode(sharp)
    if max(small.size) < FIRST_SIDE:
        large = small.resize((small.width * 3, small.height * 3), Image.Resampling.BICUBIC)
        yield lambda: _decode(large)
        yield lambda: _decode(large.filter(ImageFilter.UnsharpMask(6, 300, 0)))
    yield lambda: _decode(full.filter(ImageFilter.GaussianBlur(2)))
    yield lambda: _decode(ImageOps.equalize(small.filter(ImageFilter.MedianFilter(3))))


def _decode_turned(picture: "Image", degrees: int) -> list[tuple[str, str]]:
    """Codes of lines only: they are found where they lie nearly straight, squares anyhow."""
    from PIL import Image  # noqa: PLC0415 - heavy, only for photos

    turned = picture.rotate(degrees, Image.Resampling.BICUBIC, expand=True, fillcolor=255)
    return _decode(turned, LINES)


def _opened(body: bytes, kind: str, longest: int) -> "Image":
    """The picture in grey, its longer side at most so many pixels. Raises Invalid.

    Pillow's readers raise all sorts of errors for damaged files: whatever they raise,
    the photo is what is wrong.
    """
    from PIL import Image  # noqa: PLC0415 - heavy, and only for photos

    try:
        with Image.open(io.BytesIO(body), formats=(kind,)) as picture:
            _check_size(picture.width, picture.height, kind)
            picture.draft("L", (longest * 3 // 4, longest * 3 // 4))
            grey = _on_white(picture)
    except Invalid:
        raise
    except Image.DecompressionBombError as error:
        raise Invalid.at("body", f"the {kind} picture has far too many pixels") from error
    except Exception as error:
        raise Invalid.at("body", f"the {kind} picture is damaged: it cannot be decoded") from error
    grey.thumbnail((longest, longest))
    return grey


def _check_size(width: int, height: int, kind: str) -> None:
    if width * height > MOST_PIXELS[kind]:
        raise Invalid.at(
            "body",
            f"the picture has {width} × {height} pixels; at most {MOST_PIXELS[kind] // 10**6} "
            f"million are read of a {kind}",
        )
    if min(width, height) < LEAST_SIDE:
        raise Invalid.at("body", f"a picture of {width} × {height} pixels shows no barcode")


def _on_white(picture: "Image") -> "Image":
    """In grey, what is transparent white: black on nothing would be black on black."""
    from PIL import Image  # noqa: PLC0415 - heavy, and only for photos

    if "A" in picture.mode or "transparency" in picture.info:
        clear = picture.convert("LA")
        white = Image.new("LA", clear.size, (255, 255))
        return Image.alpha_composite(white.convert("RGBA"), clear.convert("RGBA")).convert("L")
    return picture.convert("L")


def _decode(picture: "Image", formats: str = SQUARES_AND_LINES) -> list[tuple[str, str]]:
    """Every barcode that can be read, each once."""
    import zxingcpp  # noqa: PLC0415 - a library of its own, and only for photos

    found = zxingcpp.read_barcodes(
        picture,
        formats=zxingcpp.barcode_formats_from_str(formats),
        text_mode=zxingcpp.TextMode.Plain,
    )
    return list(dict.fromkeys((code.text, code.symbology_identifier) for code in found))
