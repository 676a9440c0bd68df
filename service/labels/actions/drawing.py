"""Our labels drawn: the code as a QR code that any telephone reads, the words by typst.

Typst runs inside the process and brings its fonts: nothing of the machine is used.
"""

import json
from collections.abc import Sequence
from importlib.resources import files

from service.labels.rules.printing import LabelText, Paper, Picture, job, symbol_svg

PNG_DPI = 300.0
# A quarter of the code may be lost to frost and scratches (ISO/IEC 18004 level Q).
ERROR_CORRECTION = "Q"


def draw(texts: Sequence[LabelText], paper: Paper, picture: Picture) -> bytes:
    """Labels on paper; as PNG or SVG the first page only. Cost: about 10 ms, and 2 ms a label."""
    import typst  # noqa: PLC0415 - heavy, and only for labels

    symbols = {text.code: symbol(text.code) for text in texts}
    template = files("service").joinpath("labels", "data", "labels.typ").read_bytes()
    drawn: bytes | list[bytes] = typst.compile(
        template,
        format=picture.value,
        ppi=PNG_DPI,
        ignore_system_fonts=True,
        sys_inputs={"job": json.dumps(job(texts, symbols, paper))},
    )
    return drawn[0] if isinstance(drawn, list) else drawn


def symbol(code: str) -> str:
    """A code as a QR code in SVG, which scans to exactly its characters."""
    import numpy as np  # noqa: PLC0415 - only for labels
    import zxingcpp  # noqa: PLC0415 - only for labels

    made = zxingcpp.create_barcode(code, zxingcpp.BarcodeFormat.QRCode, ec_level=ERROR_CORRECTION)
    modules = np.asarray(made.to_image(scale=1, add_quiet_zones=True)) < 128
    return symbol_svg(modules.tolist())
