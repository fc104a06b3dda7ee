"""The colour mosaic of a one-shot-colour sensor: which colour lies at the array's origin.

`bayer_order` reads it from the header, `checked_order` lets the pixels contradict the header
where they can: a picture turned over once too often, the usual mistake, puts green on the other
diagonal of the 2 x 2 cell, and green shows, because its two planes see the same sky.
"""

import numpy as np

from classifier.header import Header

BAYER_ORDERS = ("RGGB", "BGGR", "GRBG", "GBRG")


def bayer_at_origin(pattern: str, x_offset: int, y_offset: int, flip_rows: int | None) -> str:
    """The pattern shifted by the offsets, then read from the last of `flip_rows` rows upwards.

    `pattern` is read row by row from the sensor's first pixel; the colour of picture pixel (x, y)
    is pattern[(y + y_offset) % 2][(x + x_offset) % 2]. `flip_rows` is the number of rows if the
    array holds the picture upside down, None if it does not.
    """
    colours = []
    for row in (0, 1):
        y = row if flip_rows is None else flip_rows - 1 - row
        colours += [pattern[(y + y_offset) % 2 * 2 + (x + x_offset) % 2] for x in (0, 1)]
    return "".join(colours)


def bayer_order(cards: Header, shape: tuple[int, ...]) -> str | None:
    """The mosaic's colours at the array's own origin.

    Array row 0 is the first row in the file; that is fixed by FITS. What varies is whether this
    row is the top of the picture. Capture programs that copy the camera's buffer write the top
    row first (ROWORDER TOP-DOWN, or no ROWORDER), and BAYERPAT then starts at array [0, 0].
    With ROWORDER BOTTOM-UP the rows were turned over on writing while BAYERPAT still describes
    the picture from its top left, so for an even height RGGB lies in the array as GBRG; for an
    odd height nothing changes. XBAYROFF and YBAYROFF shift the pattern within the picture, before
    the turning over. This is common practice, not a standard, and some files break it;
    `checked_order` asks the pixels where they can tell.
    """
    if len(shape) != 2:
        return None
    pattern = cards.text("BAYERPAT", "COLORTYP", "CFAPAT")
    if pattern is None or pattern.upper() not in BAYER_ORDERS:
        # Some programs name the mosaic in FILTER; its origin is then as uncertain as elsewhere.
        pattern = cards.text("FILTER")
    if pattern is None or pattern.upper() not in BAYER_ORDERS:
        return None
    x_offset = cards.number("XBAYROFF", "BAYOFFX", low=-1e5, high=1e5) or 0.0
    y_offset = cards.number("YBAYROFF", "BAYOFFY", low=-1e5, high=1e5) or 0.0
    order = (cards.text("ROWORDER") or "").upper().replace("_", "-").replace(" ", "-")
    flip_rows = shape[0] if order == "BOTTOM-UP" else None
    return bayer_at_origin(pattern.upper(), int(x_offset), int(y_offset), flip_rows)


def checked_order(order: str, mosaic: np.ndarray) -> tuple[str, str | None]:
    """The mosaic's order after asking the pixels, and a note if they contradicted the header.

    mosaic (H, W): the raw frame. The mean skies of the four planes of the 2 x 2 cell are compared:
    where the two planes that the header calls green differ clearly while the other two agree, the
    header's rows are turned over (RGGB becomes GBRG). Clearly means that the two differences are 6
    times apart and the larger is beyond 6 standard errors; a grey sky decides nothing.
    """
    step = 2 * max(1, int((mosaic.size / 4 / 100_000) ** 0.5))
    skies = [_sky(mosaic[y::step, x::step]) for y in (0, 1) for x in (0, 1)]
    error = max(sky_error for _, sky_error in skies)
    green = [sky for (sky, _), colour in zip(skies, order, strict=True) if colour == "G"]
    other = [sky for (sky, _), colour in zip(skies, order, strict=True) if colour != "G"]
    green_gap, other_gap = abs(green[0] - green[1]), abs(other[0] - other[1])
    if error > 0.0 and green_gap > 6.0 * max(other_gap, 2.0**0.5 * error):
        turned = order[2:] + order[:2]
        note = f"the header's mosaic {order} does not fit the pixels and was read as {turned}"
        return turned, note
    return order, None


def _sky(plane: np.ndarray) -> tuple[float, float]:
    """Mean of the pixels that are not stars, and its standard error.

    A clipped mean, not a median: of integers a median moves in whole steps, and a step between
    two equal skies would look like a colour.
    """
    values = plane.ravel().astype(np.float64)
    if values.size < 100:
        return 0.0, 0.0
    middle = np.median(values)
    spread = max(np.median(np.abs(values - middle)), 1e-3 * np.ptp(values))
    sky = values[np.abs(values - middle) <= 4.0 * spread]
    return float(sky.mean()), float(sky.std() / sky.size**0.5)
