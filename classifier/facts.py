"""What is known about a frame besides its pixels, in units, each fact possibly unknown.

    facts = facts_from_header(header, data.shape)     # a FITS header or any mapping
    facts.exposure_s, facts.scale_arcsec, facts.kind

Header keywords follow the FITS standard (version 4.0) where it has one and common practice of
capture programs where it has none. Common practice is not uniform; the places where a keyword
means different things in different hands are marked below, and there the value is used only
where the header says which meaning holds. A wrong fact misleads every later step, an unknown
one does not.
"""

import re
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from classifier.header import Header, as_number
from classifier.mosaic import bayer_order
from classifier.mount_facts import ambient_c, azimuth_deg, camera_turn, focus_steps, pier
from classifier.whereabouts import (
    altitude_deg,
    latitude_deg,
    longitude_deg,
    middle_deg,
    pointing_deg,
    time_utc,
    wcs_scale_arcsec,
)

ARCSEC_PER_MICRON_OVER_MM = 206.265  # 1 um at 1 mm is 1e-3 rad = 206.265 arcsec


@dataclass(frozen=True)
class Facts:
    """Facts of one frame; None means unknown.

    gain_e_adu           electrons per ADU
    gain_setting         the camera's own number for its amplification (no unit), or its ISO
    offset_adu           level that no light gives (bias), all of it
    pedestal_adu         what a program added to the level: the offset is this or more
    saturation_adu       level at which a pixel holds no more
    pixel_um             side of a pixel as it is in the file, so after binning
    bayer                colours at array [0,0], [0,1], [1,0], [1,1], such as "RGGB"
    bit_depth            bits of a stored integer; None for floating-point files
    time_utc             start of the exposure, with zone
    time_local           start by the camera's clock where its zone is unknown: for order only
    kind                 "light", "bias", "dark" or "flat"
    ra_deg, dec_deg      pointing as the telescope reports it, else the target's place
    middle_ra_deg, ...   of the middle of the frame by the celestial coordinates in the header
    altitude_deg         of the target above the horizon
    longitude_deg        positive to the east
    wcs_scale_arcsec     arcsec per pixel from the celestial coordinates in the header
    camera_deg           position angle of the array's +y axis, from north through east, 0 to 360
    mirrored             whether the array shows the sky mirrored
    azimuth_deg          of the target, from north through east
    pier                 side of the pier the tube is on: "east" or "west"
    ambient_c            air temperature
    focus_steps          place of the focuser, in its own steps
    """

    exposure_s: float | None = None
    gain_e_adu: float | None = None
    gain_setting: float | None = None
    read_noise_e: float | None = None
    offset_adu: float | None = None
    pedestal_adu: float | None = None
    saturation_adu: float | None = None
    pixel_um: float | None = None
    focal_mm: float | None = None
    aperture_mm: float | None = None
    temperature_c: float | None = None
    binning: int | None = None
    bayer: str | None = None
    bit_depth: int | None = None
    filter: str | None = None
    target: str | None = None
    camera: str | None = None
    telescope: str | None = None
    time_utc: datetime | None = None
    time_local: datetime | None = None
    kind: str | None = None
    ra_deg: float | None = None
    dec_deg: float | None = None
    middle_ra_deg: float | None = None
    middle_dec_deg: float | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    altitude_deg: float | None = None
    wcs_scale_arcsec: float | None = None
    camera_deg: float | None = None
    mirrored: bool | None = None
    azimuth_deg: float | None = None
    pier: str | None = None
    ambient_c: float | None = None
    focus_steps: float | None = None

    @property
    def scale_arcsec(self) -> float | None:
        """Arcsec per pixel of the file: measured on the sky if it was, else from the optics.

        A celestial solution is trusted before the focal length, which is often the maker's
        nominal one and forgets a reducer; a rig given by the user removes the former
        (`Rig.apply`), so that the user has the last word.
        """
        if self.wcs_scale_arcsec is not None:
            return self.wcs_scale_arcsec
        if self.pixel_um is None or self.focal_mm is None:
            return None
        return ARCSEC_PER_MICRON_OVER_MM * self.pixel_um / self.focal_mm

    @property
    def focal_ratio(self) -> float | None:
        """Focal length over aperture."""
        if self.focal_mm is None or self.aperture_mm is None:
            return None
        return self.focal_mm / self.aperture_mm


def facts_from_header(
    header: Mapping[str, Any], shape: tuple[int, ...], primary: Mapping[str, Any] | None = None
) -> Facts:
    """Facts from a FITS header (or any mapping of keywords); never raises on what it says.

    `shape` is the data's array shape (rows first); it decides parities of the colour mosaic and
    that a file of three planes has none. `primary` is the primary header of a file whose picture
    lies in an extension; it answers where the extension's own header does not.
    """
    cards = Header(header) if primary is None else Header(header, primary)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # astropy warns of damaged cards when they are looked at
        return _facts(cards, Header(header), shape)


def _facts(cards: Header, own: Header, shape: tuple[int, ...]) -> Facts:
    ra_deg, dec_deg = pointing_deg(cards)
    middle_ra_deg, middle_dec_deg = middle_deg(cards, shape)
    binning = _binning(cards)
    focal_mm = cards.number("FOCALLEN", "FOCAL", low=1.0, high=1e6)
    # BITPIX belongs to this very array; it is negative for floats, which have no depth.
    bits = own.number("BITPIX", low=8, high=64)
    camera_deg, mirrored = camera_turn(cards)
    return Facts(
        exposure_s=_exposure_s(cards),
        gain_e_adu=_gain_e_adu(cards),
        gain_setting=_gain_setting(cards),
        read_noise_e=cards.number(
            "RDNOISE", "READNOIS", "READNOISE", "RON", "ENOISE", low=1e-3, high=1e3
        ),
        offset_adu=_offset_adu(cards),
        pedestal_adu=_pedestal_adu(cards),
        saturation_adu=cards.number("SATURATE", "SATLEVEL", low=1e-6, high=1e10),
        pixel_um=_pixel_um(cards, binning),
        focal_mm=focal_mm,
        aperture_mm=_aperture_mm(cards, focal_mm),
        temperature_c=_temperature_c(cards),
        binning=binning,
        bayer=bayer_order(cards, shape),
        bit_depth=int(bits) if bits is not None else None,
        filter=cards.text("FILTER", "FILTERS", "FILTER1", "FILTER01"),
        target=cards.text("OBJECT"),
        camera=cards.text("INSTRUME", "CAMERA"),
        telescope=cards.text("TELESCOP"),
        time_utc=time_utc(cards),
        kind=_kind(cards),
        ra_deg=ra_deg,
        dec_deg=dec_deg,
        middle_ra_deg=middle_ra_deg,
        middle_dec_deg=middle_dec_deg,
        latitude_deg=latitude_deg(cards),
        longitude_deg=longitude_deg(cards),
        altitude_deg=altitude_deg(cards),
        wcs_scale_arcsec=wcs_scale_arcsec(cards),
        camera_deg=camera_deg,
        mirrored=mirrored,
        azimuth_deg=azimuth_deg(cards),
        pier=pier(cards),
        ambient_c=ambient_c(cards),
        focus_steps=focus_steps(cards),
    )


def _exposure_s(cards: Header) -> float | None:
    # Two days is longer than any sub; a bias of "1e-32 s" (seen) has no known exposure.
    return cards.number("EXPTIME", "EXPOSURE", low=1e-6, high=172_800.0)


_ELECTRONS_PER_ADU = re.compile(r"\be[-_ ]?(lectrons?)?\s*(/|per)\s*(adu|dn|count)")


def _gain_e_adu(cards: Header) -> float | None:
    """EGAIN is e/ADU by common practice. GAIN is e/ADU in observatories' files, but the number
    on the camera's gain dial (0..600, or tenths of a dB, or ISO) in amateurs', and the two
    overlap; so GAIN counts only where its comment states the unit."""
    gain = cards.number("EGAIN", low=1e-3, high=1e3)
    if gain is not None:
        return gain
    stated = cards.number_and_comment("GAIN", low=1e-3, high=1e3)
    if stated is not None and _ELECTRONS_PER_ADU.search(stated[1]):
        return stated[0]
    return None


def _gain_setting(cards: Header) -> float | None:
    stated = cards.number_and_comment("GAIN", low=0.0, high=1e7)
    if stated is not None and not _ELECTRONS_PER_ADU.search(stated[1]):
        return stated[0]
    return cards.number("ISOSPEED", "CAM-GAIN", low=0.0, high=1e7)


def _offset_adu(cards: Header) -> float | None:
    """OFFSET and BLKLEVEL are numbers on the camera's offset dial: one step is 1 ADU on some
    cameras and 8, 10 or 16 on others, so they count only where the comment says ADU."""
    for key in ("OFFSET", "BLKLEVEL", "BLACKLVL", "BIASLVL"):
        stated = cards.number_and_comment(key, low=1e-6, high=1e6)
        if stated is not None and re.search(r"\b(adu|dn)\b", stated[1]):
            return stated[0]
    return None


def _pedestal_adu(cards: Header) -> float | None:
    """What a program added, on top of a bias of the camera that may still be there. Some write it
    as the correction that takes it off again (negative), so the sign carries nothing."""
    pedestal = cards.number("PEDESTAL", low=-1e6, high=1e6)
    return abs(pedestal) if pedestal else None


def _binning(cards: Header) -> int | None:
    """Square binning; unequal factors along x and y are unknown, as one number cannot say them."""
    text = cards.text("BINNING", "CCDSUM")
    pair = re.fullmatch(r"(\d+)\s*[x, ]\s*(\d+)", text, re.IGNORECASE) if text else None
    x = cards.number("XBINNING", "BINX1", low=1, high=64)
    y = cards.number("YBINNING", "BINX2", low=1, high=64)
    if x is None and pair:
        x, y = float(pair[1]), float(pair[2])
    if x is None or x != int(x) or not 1 <= x <= 64 or (y is not None and y != x):
        return None
    return int(x)


def _pixel_um(cards: Header, binning: int | None) -> float | None:
    """XPIXSZ is by common practice the side after binning; a comment that says otherwise is
    believed. PIXSIZE1 and PIXSIZE are the camera's own, so they grow with the binning."""
    stated = cards.number_and_comment("XPIXSZ", low=0.1, high=1e3)
    if stated is not None:
        is_unbinned = re.search(r"unbinned|before binning|without binning|not binned", stated[1])
        return stated[0] * (binning or 1) if is_unbinned else stated[0]
    own = cards.number("PIXSIZE1", "PIXSIZE", "PIXELSZ", low=0.1, high=1e3)
    return own * (binning or 1) if own is not None else None


def _aperture_mm(cards: Header, focal_mm: float | None) -> float | None:
    aperture_mm = cards.number("APTDIA", low=1.0, high=50_000.0)
    if aperture_mm is None and focal_mm is not None:
        ratio = cards.number("FOCRATIO", low=0.3, high=300.0)
        return focal_mm / ratio if ratio is not None else None
    return aperture_mm


def _temperature_c(cards: Header) -> float | None:
    """Sensor temperature. Bounds exclude kelvins of a cooled dewar (180) and "no sensor" (-999)."""
    for key in ("CCD-TEMP", "CCDTEMP", "CAMTEMP", "DET-TEMP", "SENSTEMP"):
        for value, _ in cards.values(key):
            if isinstance(value, str):
                value = re.sub(r"\s*(deg\s*)?°?\s*C\s*$", "", value, flags=re.IGNORECASE)
            number = as_number(value)
            if number is not None and -150.0 <= number <= 80.0:
                return number
    return None


def _kind(cards: Header) -> str | None:
    for key in ("IMAGETYP", "IMGTYPE", "IMAGETYPE", "FRAME", "OBSTYPE", "PICTTYPE", "DATA-TYP"):
        kind = kind_of(cards.text(key))
        if kind is not None:
            return kind
    return None


def kind_of(text: str | None) -> str | None:
    """light, bias, dark or flat from the many ways to spell them; None for anything else.

    A dark taken for flats is a dark, and a light named after twilight is a flat, so the order of
    the questions matters.
    """
    if text is None:
        return None
    words = set(re.findall(r"[a-z]+", text.lower().replace("_", " ")))
    joined = "".join(re.findall(r"[a-z]+", text.lower()))
    if "dark" in joined:
        return "dark"
    if "flat" in joined or "twilight" in words:
        return "flat"
    if "bias" in joined or words & {"zero", "offset"}:
        return "bias"
    if words & {"light", "lights", "object", "science", "sci", "target"} or joined == "lightframe":
        return "light"
    return None
