"""The frame of a rendered night: site, date, target and where everything stands at each sub.

A session begins and ends in darkness, follows one target from its rising side to its setting
side, and passes the meridian where the mount has to flip. What a cause of trouble needs of the
sky (a rising Moon, a flip, a low target, dusk) is a `Wish`; dates and places are drawn until one
fulfils it.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import cos, radians

import numpy as np

from synth import ephemeris as sky
from synth.photometry import airmass_pickering


@dataclass(frozen=True)
class Wish:
    """What the sky has to offer. moon: "down", "rises" or "sets"."""

    moon: str = "down"
    flip: bool = False
    low: bool = False
    dusk: bool = False


@dataclass(frozen=True)
class Site:
    """Longitude is positive to the east."""

    latitude_deg: float
    longitude_deg: float
    height_m: float


@dataclass(frozen=True)
class Moment:
    """Geometry in the middle of one sub. `pier` is the side of the pier on which the tube is,
    "" for a mount that needs no flip. Position angles from north through east."""

    begin: datetime
    altitude_deg: float
    azimuth_deg: float
    hour_angle_deg: float
    airmass: float
    zenith_angle_deg: float  # position angle of the zenith: the parallactic angle
    pier: str
    sun_altitude_deg: float
    moon_altitude_deg: float
    moon_separation_deg: float
    moon_angle_deg: float
    moon_phase_deg: float  # 0 = full


@dataclass(frozen=True)
class Session:
    """One target followed through one night."""

    site: Site
    target: str
    ra_deg: float  # J2000
    dec_deg: float
    step_s: float
    moments: tuple[Moment, ...]

    @property
    def flip(self) -> int | None:
        """Number of the first sub after the meridian flip, None without one."""
        sides = [moment.pier for moment in self.moments]
        changed = [i for i in range(1, len(sides)) if sides[i] != sides[i - 1]]
        return changed[0] if changed else None

    @property
    def hours(self) -> np.ndarray:
        """Hours since the first sub, (n,)."""
        first = self.moments[0].begin
        return np.array([(m.begin - first).total_seconds() / 3600.0 for m in self.moments])


# Invented names, so that no rendered field passes for a catalogued object.
_NAMES = ("Heron", "Anvil", "Lattice", "Ember", "Quill", "Harbour", "Thistle", "Copper", "Mill")
_KINDS = ("Field", "Cloud", "Group", "Stream")
# The Sun this far down leaves a dark sky; dusk nights begin earlier.
_DARK_SUN_DEG, _DUSK_SUN_DEG = -18.0, -14.0


def draw_session(rng: np.random.Generator, count: int, exposure_s: float, wish: Wish) -> Session:
    """A session of `count` subs that offers what is wished."""
    for _ in range(3000):
        session = _try(rng, count, exposure_s, wish)
        if session is not None and _fulfils(session, wish):
            return session
    raise RuntimeError(f"no night in 3000 draws offers {wish}: the wishes contradict each other")


def _try(rng: np.random.Generator, count: int, exposure_s: float, wish: Wish) -> Session | None:
    north = rng.random() < 0.75
    latitude = rng.uniform(28, 54) if north else -rng.uniform(22, 42)
    site = Site(float(latitude), float(rng.uniform(-120, 150)), float(rng.uniform(50, 1800)))
    dusk, dawn = _darkness(site, int(rng.integers(365)), wish.dusk)
    wanted_h = max(rng.uniform(5.0, 8.5), 1.05 * count * exposure_s / 3600.0)
    length_h = min(wanted_h, (dawn - dusk).total_seconds() / 3600.0)
    if length_h < 4.5:
        return None
    spare_h = (dawn - dusk).total_seconds() / 3600.0 - length_h
    begin = dusk + timedelta(hours=0.0 if wish.dusk else float(rng.uniform(0, spare_h)))
    ra, dec = _target(rng, site, begin, length_h, wish)
    target = f"{rng.choice(_NAMES)} {rng.choice(_KINDS)}"
    # A fork or a mount that tracks on past the meridian needs no flip.
    flips = wish.flip or rng.random() < 0.8
    step_s = length_h * 3600.0 / count
    begins = [begin + timedelta(seconds=round(i * step_s)) for i in range(count)]
    moments = tuple(_moment(site, ra, dec, at, exposure_s, flips) for at in begins)
    return Session(site, target, ra, dec, step_s, moments)


def _target(
    rng: np.random.Generator, site: Site, begin: datetime, length_h: float, wish: Wish
) -> tuple[float, float]:
    """J2000 place whose passage suits the session, right ascension and declination."""
    toward = -1.0 if site.latitude_deg > 0 else 1.0  # the equator lies that way in declination
    dec = float(np.clip(site.latitude_deg + toward * rng.uniform(-15, 42), -72, 72))
    offset_h = rng.uniform(-1.2, 1.2)
    if wish.low:
        offset_h = rng.uniform(1.5, 4.0)  # past the meridian at mid-session: it ends low
    middle = sky.days_since_2000(begin + timedelta(hours=0.5 * length_h))
    ra = (sky.sidereal_deg(middle, site.longitude_deg) - 15.0 * offset_h) % 360.0
    return float(ra), dec


def _darkness(site: Site, day: int, with_dusk: bool) -> tuple[datetime, datetime]:
    """Begin and end of darkness in the night after local noon of a day of 2026."""
    noon = datetime(2026, 1, 1, 12, tzinfo=UTC) + timedelta(
        days=day, hours=-site.longitude_deg / 15.0
    )
    limit = _DUSK_SUN_DEG if with_dusk else _DARK_SUN_DEG
    times = [noon + timedelta(minutes=6 * k) for k in range(241)]
    dark = [at for at in times if _sun_altitude_deg(site, at) < limit]
    return (dark[0], dark[-1]) if dark else (noon, noon)


def _sun_altitude_deg(site: Site, at: datetime) -> float:
    days = sky.days_since_2000(at)
    return sky.horizontal_deg(*sky.sun_deg(days), days, site.latitude_deg, site.longitude_deg)[0]


def _moment(
    site: Site, ra_deg: float, dec_deg: float, begin: datetime, exposure_s: float, flips: bool
) -> Moment:
    days = sky.days_since_2000(begin + timedelta(seconds=0.5 * exposure_s))
    here: tuple[float, float, float] = (days, site.latitude_deg, site.longitude_deg)
    ra, dec = sky.of_date(ra_deg, dec_deg, days)
    altitude, azimuth = sky.horizontal_deg(ra, dec, *here)
    hour = (sky.sidereal_deg(days, site.longitude_deg) - ra + 180.0) % 360.0 - 180.0
    sun, moon = sky.sun_deg(days), sky.moon_deg(days)
    moon_altitude = sky.horizontal_deg(*moon, *here)[0]
    moon_altitude -= sky.MOON_PARALLAX_DEG * cos(radians(moon_altitude))
    zenith = sky.place_deg(90.0, 0.0, *here)
    return Moment(
        begin=begin,
        altitude_deg=altitude,
        azimuth_deg=azimuth,
        hour_angle_deg=hour,
        airmass=airmass_pickering(90.0 - max(altitude, 1.0)),
        zenith_angle_deg=sky.position_angle_deg(ra, dec, *zenith),
        pier=("west" if hour < 0 else "east") if flips else "",
        sun_altitude_deg=sky.horizontal_deg(*sun, *here)[0],
        moon_altitude_deg=moon_altitude,
        moon_separation_deg=sky.distance_deg(ra, dec, *moon),
        moon_angle_deg=sky.position_angle_deg(ra, dec, *moon),
        # The Sun is 390 times as far as the Moon: the phase angle is 180 less the elongation
        # to 0.15 deg.
        moon_phase_deg=180.0 - sky.distance_deg(*sun, *moon),
    )


def _fulfils(session: Session, wish: Wish) -> bool:
    moments = session.moments
    altitudes = [moment.altitude_deg for moment in moments]
    lowest = min(altitudes)
    if wish.low:
        if not 12.0 <= altitudes[-1] <= 22.0 or max(altitudes) < 35.0:
            return False
    elif lowest < 28.0:
        return False
    flip = session.flip
    if wish.flip and (flip is None or not 0.3 <= flip / len(moments) <= 0.7):
        return False
    return _moon_suits(moments, wish.moon)


def _moon_suits(moments: tuple[Moment, ...], wanted: str) -> bool:
    up = np.array([moment.moon_altitude_deg > 0 for moment in moments])
    if wanted == "down":
        return not up.any()
    middle = moments[len(moments) // 2]
    # From half to three quarters lit; a full Moon is up all night.
    if not 60.0 <= middle.moon_phase_deg <= 115.0 or not 0.3 <= up.mean() <= 0.7:
        return False
    if not 25.0 <= middle.moon_separation_deg <= 110.0:
        return False
    return bool(up[-1] and not up[0]) if wanted == "rises" else bool(up[0] and not up[-1])
