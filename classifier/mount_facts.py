"""How the camera was turned and what mount, focuser and weather sensor say, from a header.

Keywords beyond the celestial coordinates (FITS 4.0, section 8) are common practice. Every answer
is None where the header does not say or says nonsense. `classifier.facts` asks.
"""

import math

from classifier.header import Header


def camera_turn(cards: Header) -> tuple[float | None, bool | None]:
    """Position angle of the array's +y axis from north through east, 0 to 360 degrees, and
    whether the array shows the sky mirrored; (None, None) without celestial coordinates."""
    if not (cards.text("CTYPE1") or "").startswith("RA--"):
        return None, None
    matrix = _cd_matrix(cards)
    if matrix is None:
        return None, None
    a, b, c, d = matrix
    turn = a * d - b * c
    if turn == 0:
        return None, None
    # +y points to (b east, d north). Seen on the sky, east lies to the left of north, so that an
    # array that is not mirrored has a negative determinant.
    return math.degrees(math.atan2(b, d)) % 360.0, turn > 0


def _cd_matrix(cards: Header) -> tuple[float, float, float, float] | None:
    """CD1_1, CD1_2, CD2_1, CD2_2 in degrees per pixel, also from the older forms."""
    stated = [
        cards.number(key, low=-10.0, high=10.0) for key in ("CD1_1", "CD1_2", "CD2_1", "CD2_2")
    ]
    if any(value is not None for value in stated):
        a, b, c, d = (value or 0.0 for value in stated)  # absent elements are 0 by the standard
        return a, b, c, d
    step_x = cards.number("CDELT1", low=-10.0, high=10.0)
    step_y = cards.number("CDELT2", low=-10.0, high=10.0)
    if not step_x or not step_y:
        return None
    keys = (("PC1_1", 1.0), ("PC1_2", 0.0), ("PC2_1", 0.0), ("PC2_2", 1.0))
    found = [cards.number(key, low=-2.0, high=2.0) for key, _ in keys]
    if any(value is not None for value in found):
        pc = [usual if f is None else f for f, (_, usual) in zip(found, keys, strict=True)]
        return step_x * pc[0], step_x * pc[1], step_y * pc[2], step_y * pc[3]
    turn = math.radians(cards.number("CROTA2", low=-360.0, high=360.0) or 0.0)
    c, s = math.cos(turn), math.sin(turn)
    return step_x * c, -step_y * s, step_x * s, step_y * c


def azimuth_deg(cards: Header) -> float | None:
    """Azimuth of the target, from north through east."""
    return cards.angle_deg("OBJCTAZ", "CENTAZ", "TELAZ", low=0.0, high=360.0)


def pier(cards: Header) -> str | None:
    """Side of the pier that the tube is on, "east" or "west"."""
    word = (cards.text("PIERSIDE") or "").lower()
    return word if word in ("east", "west") else None


def ambient_c(cards: Header) -> float | None:
    """Air temperature; the tube's own where only the focuser has a sensor."""
    return cards.number("AMBTEMP", "AOCAMBT", "AMB-TEMP", "FOCTEMP", "FOCUSTEM", low=-60, high=60)


def focus_steps(cards: Header) -> float | None:
    """Place of the focuser in its own steps."""
    return cards.number("FOCUSPOS", "FOCPOS", low=-1e7, high=1e7)
