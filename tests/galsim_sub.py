"""Whole subs by another engine: galsim draws the stars, NumPy the sky and the sensor.

Nothing of the project's own renderer is used, so that the labels are tried on light that no weight
was ever fitted to. Stars are Kolmogorov seeing through the telescope's pupil (galsim.OpticalPSF),
with the motion of the sub as a further profile; counts follow a power law, N(>F) ~ F^-0.83, which
is a slope of 0.33 in magnitudes (common practice for moderate galactic latitudes).

    pixels = draw(REFRACTOR, Sub(motion=galsim.Box(0.1, 4.0)), seed=1)     # (H, W) uint16 ADU
"""

from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import galsim
import numpy as np
from astropy.io import fits

HEIGHT, WIDTH = 600, 800
OFFSET_ADU = 500.0
READ_NOISE_E = 3.0
FULL_E = 60_000.0
EXPOSURE_S = 120.0
STARS = 300
FAINTEST_E = 1500.0  # some ten sigma of the sky under a star of 2.5 px
STAMP_PX = 320
PHASES = 4  # stars lie on places a quarter of a pixel apart


@dataclass(frozen=True)
class Rig:
    """A telescope and its camera at one electron per ADU. Lengths in the units of the names."""

    name: str
    focal_mm: float
    aperture_mm: float
    obstruction: float
    vanes: int
    pixel_um: float
    seeing_arcsec: float
    sky_e: float
    colour: bool = False

    @property
    def scale_arcsec(self) -> float:
        return 206.265 * self.pixel_um / self.focal_mm

    @property
    def fwhm_px(self) -> float:
        """Seeing alone."""
        return self.seeing_arcsec / self.scale_arcsec

    @property
    def lambda_over_d_px(self) -> float:
        return 206265 * 550e-6 / self.aperture_mm / self.scale_arcsec


REFRACTOR = Rig("refractor", 530.0, 106.0, 0.0, 0, 3.76, 3.3, 1100.0)
REFLECTOR = Rig("reflector", 1200.0, 200.0, 0.30, 0, 4.63, 2.5, 800.0)
COLOUR = Rig("colour", 480.0, 80.0, 0.0, 0, 3.76, 3.6, 1400.0, colour=True)


@dataclass(frozen=True)
class Sub:
    """What is wrong with one sub; the defaults are a good one.

    motion: profile of unit flux in px that the star is convolved with. aberrations: Noll waves by
    number. pupil: stands for the telescope's own. seeing: its width over the usual. passed: (H, W)
    share of all light that arrives; loss_mag: (H, W) of the stars' light; glow: (H, W) over the
    sky. exposure: its length over the usual. hot: share of pixels that glow. response: of the four
    pixels of a mosaic. bright: (x, y, electrons) of stars put in beside the others.
    """

    motion: galsim.GSObject | None = None
    aberrations: dict[int, float] = field(default_factory=dict)
    pupil: galsim.Aperture | None = None
    seeing: float = 1.0
    passed: np.ndarray | float = 1.0
    loss_mag: np.ndarray | float = 0.0
    glow: np.ndarray | float = 0.0
    exposure: float = 1.0
    hot: float = 2e-6
    response: tuple[float, float, float, float] = (0.7, 1.0, 1.0, 0.75)
    bright: tuple[tuple[float, float, float], ...] = ()


def star_profile(rig: Rig, sub: Sub) -> galsim.GSObject:
    """The star of a sub, unit flux, in px."""
    terms = [0.0] * 12
    for number, waves in {5: 0.02, 7: 0.015, 11: 0.02, **sub.aberrations}.items():
        terms[number] = waves
    glass = galsim.OpticalPSF(
        lam_over_diam=rig.lambda_over_d_px,
        obscuration=rig.obstruction if sub.pupil is None else 0.0,
        aberrations=terms,
        aper=sub.pupil,
        # Padded so that the wings reach to the edge of the stamps.
        **({} if sub.pupil is not None else {"oversampling": 1.5, "pad_factor": 4.0}),
    )
    parts = [galsim.Kolmogorov(fwhm=rig.fwhm_px * sub.seeing), glass]
    if sub.motion is not None:
        parts.append(sub.motion)
    return galsim.Convolve(parts)


def draw(rig: Rig, sub: Sub, seed: int, field_seed: int = 7) -> np.ndarray:
    """(H, W) uint16 ADU. seed: noise and dither. field_seed: the stars, alike in all subs."""
    rng, places = np.random.default_rng(seed), np.random.default_rng(field_seed)
    light = _starlight(rig, sub, rng.uniform(-8, 8, 2), places)
    y, x = np.mgrid[-1 : 1 : HEIGHT * 1j, -1 : 1 : WIDTH * 1j]
    own_sky = 1 - 0.03 * (x * x + y * y) + 0.02 * x  # corners 6 % down, 4 % from side to side
    light += rig.sky_e * (own_sky + sub.glow)
    light *= sub.exposure * np.asarray(sub.passed)
    if rig.colour:
        light *= np.tile(np.reshape(sub.response, (2, 2)), (HEIGHT // 2, WIDTH // 2))
    electrons = rng.poisson(light).astype(float)
    glowing = rng.random(light.shape) < sub.hot
    noise_e = np.sqrt(rig.sky_e * sub.exposure + READ_NOISE_E**2)
    electrons += glowing * noise_e * (12 + rng.exponential(30, light.shape))
    electrons = np.minimum(electrons, FULL_E) + rng.normal(0, READ_NOISE_E, light.shape)
    return np.clip(np.round(electrons + OFFSET_ADU), 0, 65535).astype(np.uint16)


def _starlight(rig: Rig, sub: Sub, shift: np.ndarray, places: np.random.Generator) -> np.ndarray:
    """(H, W) expected electrons of the stars."""
    x, y = places.uniform(-20, WIDTH + 20, STARS), places.uniform(-20, HEIGHT + 20, STARS)
    flux = np.minimum(FAINTEST_E * places.random(STARS) ** (-1 / 0.83), 2e6)
    listed = [*np.stack((x, y, flux), 1), *np.array(sub.bright).reshape(-1, 3)]
    thinned = 10 ** (-0.4 * np.broadcast_to(np.asarray(sub.loss_mag), (HEIGHT, WIDTH)))
    stamps = _stamps(star_profile(rig, sub))
    wide = np.zeros((HEIGHT + 2 * STAMP_PX, WIDTH + 2 * STAMP_PX))
    for cx, cy, electrons in listed:
        cx, cy = cx + shift[0], cy + shift[1]
        row, column = (int(np.clip(c, 0, n - 1)) for c, n in ((cy, HEIGHT), (cx, WIDTH)))
        reach = 24 if electrons < 3e4 else 48 if electrons < 3e5 else STAMP_PX // 2
        (left, phase_x), (top, phase_y) = (divmod(round(c * PHASES), PHASES) for c in (cx, cy))
        middle = slice(STAMP_PX // 2 - reach, STAMP_PX // 2 + reach)
        light = stamps[phase_y, phase_x][middle, middle] * electrons * thinned[row, column]
        top, left = top + STAMP_PX - reach, left + STAMP_PX - reach
        wide[top : top + 2 * reach, left : left + 2 * reach] += light
    inner = wide[STAMP_PX:-STAMP_PX, STAMP_PX:-STAMP_PX]
    return np.maximum(inner, 0.0)


@lru_cache(maxsize=6)
def _stamps(profile: galsim.GSObject) -> np.ndarray:
    """(PHASES, PHASES, STAMP_PX, STAMP_PX) of the star, its middle at pixel STAMP_PX // 2 and
    1 / PHASES px further for each phase."""
    # The true centre of an even galsim picture lies half a pixel before that pixel.
    places = [[(j / PHASES + 0.5, i / PHASES + 0.5) for j in range(PHASES)] for i in range(PHASES)]
    return np.array(
        [
            [profile.drawImage(nx=STAMP_PX, ny=STAMP_PX, scale=1.0, offset=o).array for o in row]
            for row in places
        ],
        dtype=float,
    )


def write(path: Path, rig: Rig, pixels: np.ndarray, exposure: float = 1.0, **cards) -> Path:
    """The sub as FITS, with the cards that capture programs write."""
    hdu = fits.PrimaryHDU(pixels)
    told = {
        "IMAGETYP": "Light",
        "OBJECT": "field",
        "INSTRUME": f"camera of the {rig.name}",
        "TELESCOP": rig.name,
        "FILTER": "L",
        "EXPTIME": EXPOSURE_S * exposure,
        "EGAIN": 1.0,
        "RDNOISE": READ_NOISE_E,
        "BLKLEVEL": (OFFSET_ADU, "ADU"),
        "XPIXSZ": rig.pixel_um,
        "YPIXSZ": rig.pixel_um,
        "FOCALLEN": rig.focal_mm,
        "APTDIA": rig.aperture_mm,
    }
    if rig.colour:
        told["BAYERPAT"] = "RGGB"
    for key, value in {**told, **cards}.items():
        hdu.header[key] = value
    hdu.writeto(path)
    return path
