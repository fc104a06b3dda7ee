"""The bright stars of the sky, for naming the one whose light strays into a frame.

    for star in stars_near(85.2, -2.5, 3.0):
        star.title, star.v_mag

921 stars down to V 4.5, values of the Hipparcos catalogue (ESA SP-1200, 1997): ICRS at the epoch
2000.0, in `bright_stars.csv`; names of the IAU's catalogue of star names where the star has one
that is in use. Proper motion since 2000 is left aside: at most 2 arcmin in a generation, for one
star. Planets are not in it.
"""

import csv
import math
from dataclasses import dataclass
from functools import cache
from importlib import resources


@dataclass(frozen=True)
class BrightStar:
    """One star. name: its own name or ""; designation: letter or number and constellation."""

    hip: int
    name: str
    designation: str
    ra_deg: float
    dec_deg: float
    v_mag: float

    @property
    def title(self) -> str:
        """ "Alnitak (zeta Ori, V 1.7)"."""
        if self.name:
            return f"{self.name} ({self.designation}, V {self.v_mag:.1f})"
        return f"{self.designation} (V {self.v_mag:.1f})"


@cache
def bright_stars() -> tuple[BrightStar, ...]:
    """All of them, the brightest first."""
    path = resources.files("classifier").joinpath("bright_stars.csv")
    rows = csv.DictReader(path.read_text(encoding="utf-8").splitlines())
    return tuple(
        BrightStar(
            int(row["hip"]),
            row["name"],
            row["designation"],
            float(row["ra_deg"]),
            float(row["dec_deg"]),
            float(row["v_mag"]),
        )
        for row in rows
    )


def stars_near(ra_deg: float, dec_deg: float, radius_deg: float) -> list[BrightStar]:
    """Stars at most `radius_deg` from a place, the brightest first."""
    near = math.cos(math.radians(radius_deg))
    return [star for star in bright_stars() if _cosine(star, ra_deg, dec_deg) >= near]


def _cosine(star: BrightStar, ra_deg: float, dec_deg: float) -> float:
    a, b = math.radians(star.dec_deg), math.radians(dec_deg)
    turn = math.radians(star.ra_deg - ra_deg)
    return math.sin(a) * math.sin(b) + math.cos(a) * math.cos(b) * math.cos(turn)


def tangent_deg(
    ra_deg: float, dec_deg: float, centre_ra_deg: float, centre_dec_deg: float
) -> tuple[float, float] | None:
    """Standard coordinates (east, north) in degrees of a place on the plane that touches the sky
    at the centre; None a quarter turn away or more.

    Gnomonic projection: Calabretta & Greisen 2002, A&A 395, 1077, section 5.1.3.
    """
    a, b = math.radians(dec_deg), math.radians(centre_dec_deg)
    turn = math.radians(ra_deg - centre_ra_deg)
    depth = math.sin(a) * math.sin(b) + math.cos(a) * math.cos(b) * math.cos(turn)
    if depth <= 1e-6:
        return None
    east = math.cos(a) * math.sin(turn) / depth
    north = (math.sin(a) * math.cos(b) - math.cos(a) * math.sin(b) * math.cos(turn)) / depth
    return math.degrees(east), math.degrees(north)
