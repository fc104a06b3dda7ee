"""Where and when a frame was taken, from its header: time, pointing, site, altitude, sky scale.

Every answer is None where the header does not say or says nonsense. `classifier.facts` asks.
"""

import math
from datetime import UTC, datetime, timedelta

from classifier.header import Header, as_moment

LATITUDES = ("SITELAT", "LAT-OBS", "OBSLAT", "OBSGEO-B", "LATITUDE", "GEOLAT")
LONGITUDES = ("SITELONG", "LONG-OBS", "OBSLONG", "OBSGEO-L", "LONGITUD", "GEOLONG")


def time_utc(cards: Header) -> datetime | None:
    """Start of the exposure. A bare date without any time of day counts as midnight UTC."""
    clock = cards.text("TIME-OBS", "UT-OBS", "UTSTART", "UT-STR", "UT", "UTC-OBS")
    for key in ("DATE-OBS", "DATE-BEG", "DATE_OBS"):
        for value, _ in cards.values(key):
            moment = as_moment(value, clock)
            # Before digital cameras or far ahead, a clock that was never set.
            if moment is not None and 1970 <= moment.year <= 2100:
                return moment
    # Modified Julian Date 0 is 1858-11-17 00:00 (FITS 4.0, section 9.1): 40587 is 1970, 88068 2100.
    days = cards.number("MJD-OBS", "MJD-BEG", low=40_587.0, high=88_068.0)
    return datetime(1858, 11, 17, tzinfo=UTC) + timedelta(days=days) if days is not None else None


def pointing_deg(cards: Header) -> tuple[float | None, float | None]:
    """Right ascension and declination in degrees: the telescope's, else the target's, else WCS."""
    pairs = [("RA", "DEC"), ("OBJCTRA", "OBJCTDEC"), ("RA_OBS", "DEC_OBS"), ("RA-MNT", "DEC-MNT")]
    if _is_celestial(cards):
        pairs.append(("CRVAL1", "CRVAL2"))
    for ra_key, dec_key in pairs:
        ra_deg = cards.angle_deg(ra_key, low=0.0, high=360.0, hours=True)
        dec_deg = cards.angle_deg(dec_key, low=-90.0, high=90.0)
        if ra_deg is not None and dec_deg is not None:
            return ra_deg, dec_deg
    return None, None


def latitude_deg(cards: Header) -> float | None:
    """Latitude of the site, positive to the north."""
    return cards.angle_deg(*LATITUDES, low=-90.0, high=90.0)


def longitude_deg(cards: Header) -> float | None:
    """Longitude of the site, positive to the east, -180 to 180."""
    degrees = cards.angle_deg(*LONGITUDES, low=-180.0, high=360.0)
    return degrees - 360.0 if degrees is not None and degrees > 180.0 else degrees


def altitude_deg(cards: Header) -> float | None:
    """Altitude of the target; from the airmass as 1/X = sin(altitude) where only that is given.

    That plane-parallel form is 0.1 deg low at airmass 3 and 0.3 deg at 5.6. ALTITUDE is not asked:
    it is as often the height of the observatory in metres.
    """
    altitude = cards.angle_deg("OBJCTALT", "CENTALT", "ALT-OBJ", "TELALT", low=-90.0, high=90.0)
    if altitude is not None:
        return altitude
    airmass = cards.number("AIRMASS", low=1.0, high=40.0)
    return math.degrees(math.asin(1.0 / airmass)) if airmass is not None else None


def _is_celestial(cards: Header) -> bool:
    first, second = cards.text("CTYPE1") or "", cards.text("CTYPE2") or ""
    return first.startswith("RA--") and second.startswith("DEC-")


_WCS_KEYS = (
    *("CTYPE1", "CTYPE2", "CRVAL1", "CRVAL2", "CRPIX1", "CRPIX2", "CDELT1", "CDELT2"),
    *("CD1_1", "CD1_2", "CD2_1", "CD2_2", "PC1_1", "PC1_2", "PC2_1", "PC2_2", "CROTA2"),
)


def _solution(cards: Header):
    """The celestial solution as astropy's WCS, without distortion terms; None without a sensible
    one."""
    if not _is_celestial(cards):
        return None
    from astropy.io.fits import Header as FitsHeader
    from astropy.wcs import WCS

    own = FitsHeader()
    # Degrees are the default of the standard; other spellings of them ("degree") stop wcslib.
    units = {(cards.text(key) or "deg").lower() for key in ("CUNIT1", "CUNIT2")}
    if not units <= {"deg", "degree", "degrees"}:
        return None
    try:
        for key in _WCS_KEYS:
            for value, _ in cards.values(key)[:1]:
                own[key] = value
        return WCS(own, naxis=2)
    except Exception:  # wcslib and astropy raise many kinds for damaged coordinates
        return None


def middle_deg(cards: Header, shape: tuple[int, ...]) -> tuple[float | None, float | None]:
    """Right ascension and declination (ICRS, as the solution has them) of the middle of an array
    of this shape by its celestial solution; (None, None) without one.

    Mounts report where they believe to point, some in coordinates of date, which lie a third of a
    degree from those of 2000 by now; a solution was seen in the picture.
    """
    solution = _solution(cards)
    if solution is None or wcs_scale_arcsec(cards) is None or len(shape) < 2:
        return None, None
    high, wide = (shape[-2], shape[-1]) if shape[-1] > 3 else (shape[0], shape[1])
    try:
        ra_deg, dec_deg = solution.wcs_pix2world([[(wide - 1) / 2, (high - 1) / 2]], 0)[0]
    except Exception:
        return None, None
    if not (math.isfinite(ra_deg) and math.isfinite(dec_deg)):
        return None, None
    return float(ra_deg) % 360.0, float(dec_deg)


def wcs_scale_arcsec(cards: Header) -> float | None:
    """Mean side of a pixel on the sky; None without a sensible celestial solution.

    Distortion terms are left aside: the scale at the reference point is wanted.
    """
    solution = _solution(cards)
    if solution is None:
        return None
    from astropy.wcs.utils import proj_plane_pixel_area

    try:
        scale = 3600.0 * math.sqrt(proj_plane_pixel_area(solution))
    except Exception:  # as above
        return None
    # An unset CDELT of 1 deg gives 3600; a fisheye of 1.5 mm with large pixels about 600.
    return scale if 0.005 <= scale <= 1000.0 else None
