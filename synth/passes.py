"""Lines across a frame, and how much of one a satellite flies during a sub.

Low satellites cross any field within seconds and leave a line from edge to edge; high ones creep
(15 arcsec/s for a geostationary one, the stars' own rate) and leave a dash with both ends inside.
"""

from dataclasses import dataclass, replace
from math import cos, hypot, pi, sin
from typing import TYPE_CHECKING

from numpy.random import Generator

from synth.orbits import range_blur_arcsec, zenith_rate_deg_s
from synth.rng import log_uniform

if TYPE_CHECKING:
    from synth.streaks import Trail

# Share of trails by kind of orbit (common practice: nearly all are low), and heights in km.
# The last number is the least rate over that overhead: low ones are far away near the horizon.
ORBITS = {"low": (0.86, 350.0, 1500.0, 0.3), "medium": (0.06, 19_000.0, 24_000.0, 0.8)}
SIDEREAL_ARCSEC_S = 15.041

Ends = tuple[float, float, float, float]


@dataclass(frozen=True)
class Sub:
    """What of a sub decides how a near object is drawn."""

    exposure_s: float
    scale_arcsec: float
    aperture_mm: float


@dataclass(frozen=True)
class Flight:
    """One object's path during a sub: its length, and the width of its range blur."""

    length_px: float
    blur_px: float


def chord(rng: Generator, width_px: int, height_px: int, inside: float = 0.0) -> Ends:
    """A line through a random point of the frame at a random angle, well beyond its edges.

    With the chance `inside` one end lies within the frame.
    """
    angle = rng.uniform(0.0, 2 * pi)
    x, y = rng.uniform(0.05, 0.95) * width_px, rng.uniform(0.05, 0.95) * height_px
    far = 1.2 * hypot(width_px, height_px)
    back = 0.0 if rng.random() < inside else far
    return (
        float(x - back * cos(angle)),
        float(y - back * sin(angle)),
        float(x + far * cos(angle)),
        float(y + far * sin(angle)),
    )


def draw_flight(rng: Generator, sub: Sub) -> Flight:
    """A satellite at random: low, medium or geostationary; lower in the sky it is slower."""
    kind = rng.random()
    if kind < ORBITS["low"][0] + ORBITS["medium"][0]:
        _, lowest, highest, slowest = ORBITS["low" if kind < ORBITS["low"][0] else "medium"]
        height_km = log_uniform(rng, lowest, highest)
        # Towards the horizon it is farther and seen aslant: both slow it down.
        share = float(rng.uniform(slowest, 1.0))
        rate_arcsec_s = 3600 * zenith_rate_deg_s(height_km) * share
        distance_km = height_km / share**0.5
    else:  # it stands still over the ground while the stars move
        rate_arcsec_s, distance_km = SIDEREAL_ARCSEC_S, 38_000.0
    blur = range_blur_arcsec(sub.aperture_mm / 1000, distance_km)
    return Flight(rate_arcsec_s * sub.exposure_s / sub.scale_arcsec, blur / sub.scale_arcsec)


def flown(rng: Generator, ends: Ends, length_px: float, width_px: int, height_px: int) -> Ends:
    """The part of a chord that is flown during the sub: a piece that meets the frame.

    The chord comes back whole where the flight is longer than it.
    """
    dx, dy = ends[2] - ends[0], ends[3] - ends[1]
    whole = hypot(dx, dy)
    if length_px >= whole:
        return ends
    # The middle of a chord of `chord` lies inside the frame; some of the piece passes it.
    middle = 0.5 + float(rng.uniform(-0.5, 0.5)) * (0.6 * min(width_px, height_px) / whole)
    start = middle - float(rng.random()) * length_px / whole
    stop = start + length_px / whole
    return (
        ends[0] + start * dx,
        ends[1] + start * dy,
        ends[0] + stop * dx,
        ends[1] + stop * dy,
    )


def timed(
    rng: Generator, trails: "list[Trail]", sub: Sub, width_px: int, height_px: int
) -> "list[Trail]":
    """The trails cut to what satellites of one kind fly during the sub."""
    flight = draw_flight(rng, sub)
    cut = []
    for trail in trails:
        ends = (trail.x0_px, trail.y0_px, trail.x1_px, trail.y1_px)
        x0, y0, x1, y1 = flown(rng, ends, flight.length_px, width_px, height_px)
        cut.append(replace(trail, x0_px=x0, y0_px=y0, x1_px=x1, y1_px=y1, blur_px=flight.blur_px))
    return cut
