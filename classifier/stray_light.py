"""Whose light strays into a frame, and which recentring frees it.

    text = ghost_text(facts, size_px, ghosts, glaring)      # discs of a reflection
    text = glare_text(facts, size_px, bright_side_deg)      # a sky that brightens to one edge

Geometry only, with the optical axis at the middle of the frame. Light thrown to and fro between
two surfaces of the optics comes down opposite to its star, on the line through the axis, at k
times its distance (k is the pair's own and stays the same wherever the star stands); between
plane surfaces near the sensor it comes down beside or round its star and moves with it. Frame
coordinates: x along the first FITS axis, from the middle, pixels.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from classifier.bright_stars import BrightStar, stars_near, tangent_deg
from classifier.facts import Facts
from classifier.wording import joined

Array = np.ndarray

OPPOSITE_DEG = 12.0  # how far off the line through the axis a ghost may lie, beyond its own size
TOWARDS_DEG = 30.0  # how far off its star's direction the bright side of the sky may point
# Stars farther outside than this light up no frame (common practice: a degree or so).
OUTSIDE_DEG = 1.5
GLARING_MAG = 3.0  # outside; a fainter star has to stand in the frame to be noticed
COMPASS = (
    *("north", "north-east", "east", "south-east"),
    *("south", "south-west", "west", "north-west"),
)
LEAST_ARCMIN = 10.0
Vector = tuple[float, float]


@dataclass(frozen=True)
class Field:
    """Where a frame looks, as far as its header says. camera_deg: position angle of +y."""

    size_px: tuple[int, int]
    ra_deg: float | None
    dec_deg: float | None
    scale_arcsec: float | None
    camera_deg: float | None
    mirrored: bool

    @staticmethod
    def of(facts: Facts, size_px: tuple[int, int]) -> "Field":
        turned = facts.camera_deg is not None and facts.mirrored is not None
        is_solved = facts.middle_ra_deg is not None and facts.middle_dec_deg is not None
        return Field(
            size_px,
            facts.middle_ra_deg if is_solved else facts.ra_deg,
            facts.middle_dec_deg if is_solved else facts.dec_deg,
            facts.scale_arcsec,
            facts.camera_deg if turned else None,
            bool(facts.mirrored),
        )

    @property
    def half_px(self) -> Vector:
        """Half width and half height."""
        return self.size_px[1] / 2, self.size_px[0] / 2

    def from_middle(self, x_px: float, y_px: float) -> Vector:
        return x_px - (self.size_px[1] - 1) / 2, y_px - (self.size_px[0] - 1) / 2

    def outside_px(self, place: Vector) -> float:
        """How far beyond the frame's edge a place lies; 0 inside."""
        return math.hypot(*(max(0.0, abs(p) - h) for p, h in zip(place, self.half_px, strict=True)))

    def place_px(self, star: BrightStar) -> Vector | None:
        """Where a star stands; None where pointing, scale or turn are unknown."""
        if self.camera_deg is None or not self.scale_arcsec:
            return None
        if self.ra_deg is None or self.dec_deg is None:
            return None
        plane = tangent_deg(star.ra_deg, star.dec_deg, self.ra_deg, self.dec_deg)
        if plane is None:
            return None
        east, north = (3600 * value / self.scale_arcsec for value in plane)
        turn = math.radians(self.camera_deg)
        # Seen on the sky east lies left of north, so +x points west of an upright +y.
        x = north * math.sin(turn) - east * math.cos(turn)
        y = north * math.cos(turn) + east * math.sin(turn)
        return (-x if self.mirrored else x), y

    def way(self, shift: Vector) -> str:
        """A shift of the frame's middle in words: how far, and which way on sky or in frame."""
        size = math.hypot(*shift)
        far = f"{size:.0f} px"
        if self.scale_arcsec:
            far = f"{size * self.scale_arcsec / 60:.0f} arcmin"
        if self.camera_deg is not None:
            x = -shift[0] if self.mirrored else shift[0]
            angle = (self.camera_deg - math.degrees(math.atan2(x, shift[1]))) % 360
            name = COMPASS[round(angle / 45) % 8]
            return f"{far} to the {name} (position angle {angle:.0f} degrees)"
        axis = "x" if abs(shift[0]) >= abs(shift[1]) else "y"
        sign = "+" if (shift[0] if axis == "x" else shift[1]) > 0 else "-"
        return f"{far} towards {sign}{axis} of the frame"


@dataclass(frozen=True)
class Source:
    """A star that light may come from, from the middle of the frame, px."""

    title: str
    place: Vector
    v_mag: float  # for choosing; stars of the picture alone count as fainter than named ones


def ghost_text(
    facts: Facts,
    size_px: tuple[int, int],
    ghosts: Sequence[Sequence[float]],
    glaring: Array,
) -> str | None:
    """Star behind the most prominent ghost and the recentring that frees the frame; None where
    nothing can be said.

    ghosts: discs [x, y, r], the most prominent first. glaring: (n, 3) x, y, flux of the frame's
    brightest stars.
    """
    field = Field.of(facts, size_px)
    for disc in ghosts:
        if len(disc) != 3:
            continue
        ghost, radius = field.from_middle(disc[0], disc[1]), float(disc[2])
        for source in _sources(field, glaring):
            kind = _relation(ghost, radius, source.place)
            if kind:
                told = _told(field, (disc[0], disc[1]), ghost, radius, source, kind)
                return " ".join(part for part in (told, _only_near(field)) if part)
    unplaced = not any(len(disc) == 3 for disc in ghosts)
    named = [source for source in _named(field) if source.v_mag <= GLARING_MAG]
    if unplaced and named:
        return (
            f"No place of a ghost was measured; the likeliest source is {_where(field, named[0])}."
        )
    return _only_near(field)


def glare_text(facts: Facts, size_px: tuple[int, int], bright_side_deg: float) -> str | None:
    """The bright star outside towards which the sky brightens, and which way to move; None where
    no such star is known. bright_side_deg: from +x towards +y."""
    field = Field.of(facts, size_px)
    if field.camera_deg is None:
        return _only_near(field)
    for source in _named(field):
        out = field.outside_px(source.place)
        towards = math.degrees(math.atan2(source.place[1], source.place[0]))
        if out > 0 and _apart_deg(towards, bright_side_deg) <= TOWARDS_DEG:
            return f"The bright side points to {_where(field, source)}. {_away(field, source)}"
    return None


def _sources(field: Field, glaring: Array) -> list[Source]:
    """Named stars first, the likelier first; then the brightest of the picture."""
    unnamed = []
    for number, (x, y, _) in enumerate(np.asarray(glaring, float).reshape(-1, 3)):
        title = f"the bright star at ({x:.0f}, {y:.0f})"
        unnamed.append(Source(title, field.from_middle(float(x), float(y)), 10.0 + number))
    return [*_named(field), *unnamed]


def _named(field: Field) -> list[Source]:
    sources = []
    for star in _stars(field):
        place = field.place_px(star)
        if place is None or not field.scale_arcsec:
            continue
        out_deg = field.outside_px(place) * field.scale_arcsec / 3600
        if out_deg <= OUTSIDE_DEG and (out_deg == 0 or star.v_mag <= GLARING_MAG):
            # A star half a degree out counts as a magnitude fainter.
            sources.append(Source(star.title, place, star.v_mag + 2 * out_deg))
    return sorted(sources, key=lambda source: source.v_mag)


def _stars(field: Field) -> list[BrightStar]:
    if field.ra_deg is None or field.dec_deg is None or not field.scale_arcsec:
        return []
    half_deg = math.hypot(*field.half_px) * field.scale_arcsec / 3600
    return stars_near(field.ra_deg, field.dec_deg, min(half_deg + OUTSIDE_DEG, 60.0))


def _relation(ghost: Vector, radius: float, star: Vector) -> str:
    """ "opposite", "beside" or "" for a ghost that this star cannot have made."""
    if math.hypot(ghost[0] - star[0], ghost[1] - star[1]) <= 2 * radius:
        return "beside"
    far, out = math.hypot(*ghost), math.hypot(*star)
    if far < 0.5 * radius or out < 0.5 * radius:
        return ""  # too near the axis for a direction
    line = math.degrees(math.atan2(-star[1], -star[0]))
    off = _apart_deg(math.degrees(math.atan2(ghost[1], ghost[0])), line)
    return "opposite" if off <= OPPOSITE_DEG + math.degrees(math.atan2(0.25 * radius, far)) else ""


def _apart_deg(a_deg: float, b_deg: float) -> float:
    gap = abs(a_deg - b_deg) % 360
    return min(gap, 360 - gap)


def _told(field: Field, at: Vector, ghost: Vector, radius: float, source: Source, kind: str) -> str:
    disc = f"The ghost at ({at[0]:.0f}, {at[1]:.0f})"
    whose = _where(field, source)
    if kind == "beside":
        return (
            f"{disc} lies beside or round {whose} and moves with it: a plane filter or window near "
            f"the sensor. {_freed(field, freeing_shift(ghost, radius, source.place, kind, field))}"
        )
    k = math.hypot(*ghost) / math.hypot(*source.place)
    shift = freeing_shift(ghost, radius, source.place, kind, field)
    told = (
        f"{disc} lies opposite to {whose}, on the line through the optical axis: a double "
        f"reflection that falls {k:.2g} times as far out as its star. {_freed(field, shift)}"
    )
    if field.outside_px(source.place) == 0:
        told += (
            f" Or bring the star to the middle, {field.way(source.place)}: the ghost falls on it."
        )
    return told


def freeing_shift(ghost: Vector, radius: float, star: Vector, kind: str, field: Field) -> Vector:
    """Least move of the frame's middle, px, after which the whole disc lies outside.

    A move by d leaves the star at star - d. Opposite: the ghost goes to -k (star - d), with
    k = |ghost| / |star|; beside: to ghost - d.
    """
    k = -math.hypot(*ghost) / math.hypot(*star) if kind == "opposite" else 1.0
    moves = []
    for axis, half in enumerate(field.half_px):
        for edge in (half + radius, -half - radius):
            move = [0.0, 0.0]
            # The ghost's own coordinate is to reach the edge: ghost - k d = edge.
            move[axis] = (ghost[axis] - edge) / k
            moves.append((move[0], move[1]))
    return min(moves, key=lambda move: math.hypot(*move))


def _freed(field: Field, shift: Vector) -> str:
    kept = math.prod(
        max(0.0, 1 - abs(move) / (2 * half))
        for move, half in zip(shift, field.half_px, strict=True)
    )
    return (
        f"To free the frame of it move the middle {field.way(shift)}; {100 * kept:.0f} % of the "
        "present field stays in it."
    )


def _where(field: Field, source: Source) -> str:
    if not field.scale_arcsec or source.v_mag >= 10:
        return source.title
    arcmin = field.scale_arcsec / 60
    out = field.outside_px(source.place) * arcmin
    middle = math.hypot(*source.place) * arcmin
    edge = f", {out:.0f} arcmin outside the frame" if out > 0 else ""
    return f"{source.title}, {middle:.0f} arcmin from the middle{edge}"


def _away(field: Field, source: Source) -> str:
    """Away from a star outside, until it stands twice as far from the edge."""
    assert field.scale_arcsec  # named sources have it
    far = max(field.outside_px(source.place), 60 * LEAST_ARCMIN / field.scale_arcsec)
    size = math.hypot(*source.place)
    shift = (-source.place[0] / size * far, -source.place[1] / size * far)
    return (
        f"Move the middle {field.way(shift)} and compare two short subs: how far its light reaches "
        "is a matter of your baffles and shield."
    )


def _only_near(field: Field) -> str | None:
    """Without the camera's turn: which bright stars are near, and how far from the middle."""
    if field.camera_deg is not None or field.ra_deg is None or field.dec_deg is None:
        return None
    told = []
    for star in _stars(field)[:2]:
        plane = tangent_deg(star.ra_deg, star.dec_deg, field.ra_deg, field.dec_deg)
        if plane is not None and star.v_mag <= GLARING_MAG + 1:
            told.append(f"{star.title}, {60 * math.hypot(*plane):.0f} arcmin from the middle")
    if not told:
        return None
    return (
        f"Near the field stands {joined(told)}; on which side is not told, as the header does not "
        "say how the camera is turned."
    )
