"""Figures drawn by matplotlib without a window, written as PNG or SVG, never over another file."""

from pathlib import Path
from typing import TYPE_CHECKING

from classifier.errors import UsageError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SUFFIXES = (".png", ".svg")
# Told apart by eyes with any colour vision, and by lightness on paper (Okabe and Ito 2008).
BLUE, ORANGE, GREEN, GREY, DARK = "#0072B2", "#D55E00", "#009E73", "#9A9A9A", "#333333"


def picture_path(wanted: Path | None, default: str) -> Path:
    """Where a picture goes: the name asked for, else the first free one like `default`.

    UsageError where the suffix is neither .png nor .svg, or the file is there already.
    """
    if wanted is None:
        path, number = Path(default), 2
        while path.exists():
            path = Path(default).with_stem(f"{Path(default).stem}-{number}")
            number += 1
        return path
    if wanted.suffix.lower() not in SUFFIXES:
        raise UsageError(f"{str(wanted)!r} is no picture name; let it end in .png or .svg.")
    if wanted.exists():
        raise UsageError(f"{str(wanted)!r} is there already; give another name or move it away.")
    if not wanted.parent.is_dir():
        raise UsageError(f"There is no folder {str(wanted.parent)!r} to write into; make it first.")
    return wanted


def new_figure(width_in: float, height_in: float) -> "Figure":
    """An empty figure, laid out so that nothing overlaps."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width_in, height_in), layout="constrained", facecolor="white")


def save_figure(figure: "Figure", path: Path) -> Path:
    """Write it in the form its suffix says; the same figure gives the same bytes."""
    from matplotlib import rc_context

    # Without a salt and a date every SVG would differ from the last one.
    with rc_context({"svg.hashsalt": "nightcull"}):
        metadata = {"Date": None} if path.suffix.lower() == ".svg" else None
        figure.savefig(path, dpi=130, metadata=metadata)
    return path
