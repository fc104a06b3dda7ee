"""How bright and how even the sky is at each sub of a night, and the clouds that pass.

The level adds up what the airmass does to the dark sky, published moonlight and the end of
twilight; slopes towards the Moon, the horizon, a town and a lamp add as vectors in the sensor's
frame.
"""

from dataclasses import dataclass
from math import cos, hypot, radians, sin

import numpy as np

from synth import photometry, sky
from synth.ephemeris import place_deg, position_angle_deg
from synth.night_course import Course
from synth.night_session import Moment

# Extinction in mag per airmass by filter: bands of `photometry.EXTINCTION_MAG` (mountain site)
# with 0.05 of low-land haze; emission lines as the band they lie in.
_BANDS = {"L": "V", "R": "R", "G": "V", "B": "B", "Ha": "R", "OIII": "V", "SII": "R"}
_LOW_LAND_MAG = 0.05


def extinction_mag(filter_name: str) -> float:
    """Magnitudes lost per airmass through a filter."""
    return photometry.EXTINCTION_MAG[_BANDS.get(filter_name, "V")] + _LOW_LAND_MAG


@dataclass(frozen=True)
class Skylight:
    """Level of the sky (mag/arcsec2), the Moon's share of it, and its slope over the frame as a
    vector in the sensor's frame, each component the rise in shares of the sky over the width."""

    mag: float
    moon_share: float
    slope: tuple[float, float]


def skylight(course: Course, i: int, toward: dict[str, tuple[float, float]]) -> Skylight:
    """The sky at sub `i`; `toward` are unit vectors in the sensor's frame to zenith and Moon."""
    moment, rig = course.session.moments[i], course.base.rig
    # Light on its way through more air scatters more: a third brighter at two airmasses
    # (common practice for skies that towns light).
    dark = photometry.nanolambert(rig.sky_mag) * (1 + 0.35 * (moment.airmass - 1))
    moonlight = moonlight_nl(moment)
    rest = dark + twilight_nl(moment.sun_altitude_deg)
    total = rest + moonlight
    moon_share = moonlight / total
    width_deg = course.base.width_px * rig.scale_arcsec / 3600.0
    stray = course.stray_share * moon_share + moon_slope(moment, rest) * width_deg
    town = course.town_pct[i] / 100.0
    # d(airmass)/d(altitude) of a plane atmosphere, per degree.
    up = radians(max(10.0, moment.altitude_deg))
    horizon = 0.35 * cos(up) / sin(up) ** 2 * radians(1.0) * width_deg
    horizon *= photometry.nanolambert(rig.sky_mag) / total
    parts = ((toward["moon"], stray), (toward["town"], town), (toward["zenith"], -horizon))
    slope = [sum(unit[axis] * size for unit, size in parts) for axis in (0, 1)]
    return Skylight(photometry.v_mag_of(total), moon_share, (slope[0], slope[1]))


def moonlight_nl(moment: Moment, nearer_deg: float = 0.0) -> float:
    """Moonlight in the field, or so much nearer to the Moon at the same altitude; it fades in over
    the last half degree under the horizon."""
    rise = float(np.clip((moment.moon_altitude_deg + 0.5) / 1.0, 0, 1))
    if rise == 0:
        return 0.0
    return rise * photometry.moonlight_nl(
        moment.moon_phase_deg,
        abs(moment.moon_separation_deg - nearer_deg),
        90.0 - moment.altitude_deg,
        90.0 - max(moment.moon_altitude_deg, 0.1),
    )


def moon_slope(moment: Moment, rest_nl: float) -> float:
    """Rise of the sky towards the Moon, shares of the sky per degree; `rest_nl` is the sky without
    the Moon. Beyond some 100 degrees it is the other way round: air scatters back as well."""
    nearer, farther = (moonlight_nl(moment, step) for step in (0.5, -0.5))
    return (nearer - farther) / (rest_nl + moonlight_nl(moment))


def twilight_nl(sun_altitude_deg: float) -> float:
    """Rest of twilight at the zenith: as bright as a dark sky at -16 deg, 1.1 mag a degree
    (rough figures from memory); nothing below -18."""
    if sun_altitude_deg < -18.0:
        return 0.0
    return photometry.nanolambert(21.7 - 1.1 * (sun_altitude_deg + 16.0))


def ground_angle_deg(course: Course, moment: Moment, azimuth_deg: float) -> float:
    """Position angle in the field of a light on the horizon."""
    from synth.ephemeris import days_since_2000, of_date

    site, days = course.session.site, days_since_2000(moment.begin)
    ra, dec = of_date(course.session.ra_deg, course.session.dec_deg, days)
    light = place_deg(2.0, azimuth_deg, days, site.latitude_deg, site.longitude_deg)
    return position_angle_deg(ra, dec, *light)


def gradient_of(
    course: Course, slope: tuple[float, float], lamp_pct: float, lamp: tuple[float, float]
) -> sky.Gradient:
    """The map of a slope and a lamp: `slope` as in `Skylight`, `lamp` a unit vector towards it.

    The lamp's glow enters at the edge of the frame that faces it.
    """
    width, height = course.base.width_px, course.base.height_px
    diagonal = hypot(width - 1, height - 1)
    if lamp_pct > 0:
        ux, uy = lamp
        along = (slope[0] * ux + slope[1] * uy) / width
    else:
        size = hypot(*slope)
        ux, uy = (slope[0] / size, slope[1] / size) if size > 0 else (1.0, 0.0)
        along = size / width
    # Distance from centre to edge along the direction, in half diagonals.
    edge = min(width / max(abs(ux), 1e-6), height / max(abs(uy), 1e-6)) / diagonal
    parts = dict.fromkeys(sky.Gradient.__dataclass_fields__, 0.0) | {
        "centre_x_px": 0.5 * (width - 1),
        "centre_y_px": 0.5 * (height - 1),
        "half_diagonal_px": 0.5 * diagonal,
        "angle_deg": float(np.rad2deg(np.arctan2(uy, ux))),
        "linear": along * 0.5 * diagonal,
        "lamp": lamp_pct / 100.0,
        "lamp_u": 1.05 * edge,
        "lamp_reach": 0.35,
        "lamp_squash": 0.8,
    }
    shape = _shape(parts, ux, uy, width, height)
    low, span = float(shape.min()), float(max(np.ptp(shape), 1e-6))
    return sky.Gradient(**(parts | {"low": low, "span": span, "amplitude": span}))


def _shape(parts: dict[str, float], ux: float, uy: float, width: int, height: int) -> np.ndarray:
    """The unscaled map on a coarse grid, the formula of `sky.gradient_map`."""
    x = (np.linspace(0, width - 1, 65) - parts["centre_x_px"]) / parts["half_diagonal_px"]
    y = (np.linspace(0, height - 1, 65) - parts["centre_y_px"]) / parts["half_diagonal_px"]
    u = x[None] * ux + y[:, None] * uy
    v = y[:, None] * ux - x[None] * uy
    core = 0.3 * parts["lamp_reach"]
    far = np.sqrt((u - parts["lamp_u"]) ** 2 + (v * parts["lamp_squash"]) ** 2 + core**2)
    return u * parts["linear"] + parts["lamp"] * np.exp(-far / parts["lamp_reach"])


def passing_cloud(
    rng: np.random.Generator, course: Course, mean_mag: float, rms_share: float, angle_deg: float
) -> sky.Clouds:
    """Cloud of that mean loss over the frame, drawn out along the wind.

    Optical depth cannot be negative: the exponential of a Gaussian field. The scatter it has
    over the frame is measured, not asked for.
    """
    width, height, n = course.base.width_px, course.base.height_px, 128
    shape = sky.power_law_field(
        rng, n, outer_scale=0.6, stretch=2.0, smear=0.08, angle_deg=angle_deg
    )
    # Half of the periodic grid lies in the frame, so that its period does not show.
    side = max(width, height)
    rows, cols = round(64 * height / side), round(64 * width / side)
    inside = shape[:rows, :cols]
    loss = np.exp(rms_share * np.clip((shape - inside.mean()) / inside.std(), -4, 4))
    loss = (mean_mag * loss / loss[:rows, :cols].mean()).astype(np.float32)
    seen = loss[:rows, :cols]
    return sky.Clouds(
        0.0,
        0.0,
        2.0 * side,
        float(seen.mean()),
        float(seen.std()),
        course.cloud_glow,
        loss,
    )
