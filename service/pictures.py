"""Figures drawn into files, in our own plain look: two neutral tones and one accent.

matplotlib is opened only here, and only when a picture is asked for.
"""

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, STONE, ACCENT = "#2b3033", "#a3a8a6", "#b3401f"
KINDS = (".png", ".svg")
NO_MATPLOTLIB = "A picture needs matplotlib: pip install 'fishhouse[plot]'"


def picture_file(name: str) -> Path:
    """Where a picture is to be written.

    Raises ValueError unless the name ends in .png or .svg and its folder is there: told
    before anything is computed.
    """
    path = Path(name)
    if path.suffix.lower() not in KINDS:
        raise ValueError(f"A picture's name ends in .png or .svg; {name!r} does not.")
    if not path.parent.is_dir():
        raise ValueError(f"There is no folder {str(path.parent)!r} for the picture.")
    return path


def blank(across: str, up: str) -> tuple["Figure", "Axes"]:
    """An empty picture with its two labelled axes. Raises ValueError without matplotlib."""
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg  # noqa: PLC0415 - heavy
        from matplotlib.figure import Figure  # noqa: PLC0415
    except ImportError as error:
        raise ValueError(NO_MATPLOTLIB) from error
    figure = Figure(figsize=(7.2, 4.2), layout="constrained")
    FigureCanvasAgg(figure)  # draws in memory: no window, no display
    axes = figure.add_subplot()
    axes.set_xlabel(across, color=INK)
    axes.set_ylabel(up, color=INK)
    axes.tick_params(colors=INK, length=3)
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set_color(STONE)
    return figure, axes


def save(figure: "Figure", path: Path) -> None:
    """Write a picture, PNG or SVG by the ending. Raises ValueError where that cannot be."""
    from matplotlib import rc_context  # noqa: PLC0415 - as in `blank`

    try:
        with rc_context({"svg.fonttype": "none"}):  # words stay words, to be found and read
            figure.savefig(path, dpi=150)
    except OSError as error:
        raise ValueError(
            f"The picture {str(path)!r} cannot be written: {error.strerror}."
        ) from error
