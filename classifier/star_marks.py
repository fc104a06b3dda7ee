"""What is drawn over the strip of a frame's stars: what shows the faults that the frame has.

    star_marks(picture, faults)

The long axis of a stretched star, beside it so that it stays seen; the circle that holds half of a
wide star's light; corners round the stars that the measure of lopsided ones looks at.
"""

import math
from collections.abc import Collection, Iterable
from dataclasses import astuple
from typing import Any

from classifier.results import Picture, StarTile
from classifier.telling_stars import INNER, STAR_FAULTS, STRETCHED, WIDE
from classifier.vocabulary import fault

STAR_PX, GAP_PX = 32, 2  # a star's side in the strip, and what lies between two
TICK = (0.29, 0.46)  # of a tile's side from its middle: marks stand beside the star


def star_marks(picture: Picture, faults: Collection[str]) -> dict[str, Any]:
    """What is drawn over the strip of a frame that has these faults, and said under it: `lines`
    [x0, y0, x1, y1] and `discs` [x, y, r] in pixels of the strip, `width` and `height` of it; and
    its stars as they are `written`."""
    lines: list[list[float]] = []
    discs: list[list[float]] = []
    said: dict[str, str] = {}
    for i, tile in enumerate(picture.tiles):
        middle = i * (STAR_PX + GAP_PX) + STAR_PX / 2
        shown = [key for key in tile.shows if key in faults]
        for key in [key for key in shown if key in STRETCHED][:1]:
            lines.extend(_axis(middle, tile.angle_deg))
            said.setdefault("the long axis of a star that shows it", key)
        for key in [key for key in shown if key in WIDE][:1]:
            radius = tile.hfr_px * STAR_PX / tile.side_px
            discs.append([round(middle, 1), STAR_PX / 2, round(radius, 1)])
            said.setdefault("half of a star's light lies within", key)
        for key in [key for key in shown if key in INNER]:
            lines.extend(_corners(middle))
            said.setdefault("a star that the measure looked at", key)
    width = max(0, len(picture.tiles) * (STAR_PX + GAP_PX) - GAP_PX)
    told = "; ".join(f"{fault(key).title}: {what}" for what, key in said.items())
    return {
        "lines": lines,
        "discs": discs,
        "width": width,
        "height": STAR_PX,
        "said": told,
        "written": written(picture.tiles),
    }


def written(tiles: Iterable[StarTile]) -> str:
    """The stars of a strip as one attribute of a page, which `read_back` understands."""
    numbers = ((*astuple(tile)[:5], *tile.shows) for tile in tiles)
    return ";".join(" ".join(str(value) for value in values) for values in numbers)


def read_back(text: str) -> tuple[StarTile, ...]:
    """The stars that `written` wrote; none where a page holds anything else."""
    try:
        return tuple(_tile(one.split(" ")) for one in text.split(";") if one)
    except (ValueError, TypeError):
        return ()


def _tile(values: list[str]) -> StarTile:
    x, y, side, hfr, angle = (float(value) for value in values[:5])
    if not all(map(math.isfinite, (x, y, side, hfr, angle))) or side <= 0:
        raise ValueError("no star")
    return StarTile(x, y, side, hfr, angle, tuple(key for key in values[5:] if key in STAR_FAULTS))


def _axis(middle: float, angle_deg: float) -> list[list[float]]:
    """Two dashes on both sides of a tile's star, along its long axis."""
    turn = math.radians(angle_deg)
    along, down = math.cos(turn) * STAR_PX, math.sin(turn) * STAR_PX
    ends = ([middle + sign * part * along for part in TICK] for sign in (1, -1))
    heights = ([STAR_PX / 2 + sign * part * down for part in TICK] for sign in (1, -1))
    return [
        [round(value, 1) for value in (x[0], y[0], x[1], y[1])]
        for x, y in zip(ends, heights, strict=True)
    ]


def _corners(middle: float) -> list[list[float]]:
    """Short strokes in the four corners of a tile."""
    half, long = 0.46 * STAR_PX, 0.12 * STAR_PX
    strokes = []
    for right in (-1, 1):
        for under in (-1, 1):
            x, y = middle + right * half, STAR_PX / 2 + under * half
            strokes += [[x, y, x - right * long, y], [x, y, x, y - under * long]]
    return [[round(value, 1) for value in stroke] for stroke in strokes]
