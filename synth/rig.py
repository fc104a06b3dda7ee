"""Telescope, camera and site: the fixed part of a scene, and a wide sampler over all rigs.

The sampler covers 135 to 3,000 mm, f/1.8 to f/15, unobstructed, obstructed and camera lenses,
0.4 to 8 arcsec/px, broad filters and narrow ones of 3 to 12 nm; a few short lenses of 12 to 135 mm
go down to 60 arcsec/px. Units are in the field names.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from synth import photometry
from synth.rng import log_uniform

CFA_ORDERS = ("RGGB", "BGGR", "GRBG", "GBRG")


@dataclass(frozen=True)
class Telescope:
    """Optics. `obstruction` is the linear share of the aperture, 0 for a refractor."""

    aperture_mm: float
    focal_mm: float
    obstruction: float
    vanes: int
    vane_mm: float
    vane_angle_deg: float
    throughput: float

    @property
    def focal_ratio(self) -> float:
        return self.focal_mm / self.aperture_mm


@dataclass(frozen=True)
class Camera:
    """Sensor. `cfa` is None for mono; `blooms` marks a CCD whose full wells spill."""

    pixel_um: float
    gain_e_adu: float
    read_noise_e: float
    offset_adu: float
    full_well_e: float
    bits: int
    cfa: str | None
    dark_e_s: float
    quantum_efficiency: float
    blooms: bool
    binning: int = 1

    @property
    def saturation_adu(self) -> float:
        """Level at which a pixel clips: the converter's top or the full well."""
        return min(2.0**self.bits - 1, self.offset_adu + self.full_well_e / self.gain_e_adu)


@dataclass(frozen=True)
class Rig:
    """A telescope with a camera under a sky, through one filter.

    `sky_mag` is V mag per square arcsecond; `transmission` is that of the filter in its band.
    """

    telescope: Telescope
    camera: Camera
    seeing_arcsec: float
    tracking_rms_arcsec: float
    sky_mag: float
    band_nm: float
    wavelength_nm: float
    filter: str
    transmission: float = 1.0

    @property
    def scale_arcsec(self) -> float:
        """Arcseconds per (binned) pixel."""
        pixel_um = self.camera.pixel_um * self.camera.binning
        return 206.265 * pixel_um / self.telescope.focal_mm

    @property
    def good_fwhm_px(self) -> float:
        """Seeing, tracking and pixel in quadrature: a first guess of a good star's FWHM."""
        blur = np.hypot(self.seeing_arcsec, 2.355 * self.tracking_rms_arcsec)
        return float(np.hypot(blur / self.scale_arcsec, 0.7))

    @property
    def zero_point_e_s(self) -> float:
        """Electrons per second from a star of AB magnitude 0, alike over the band."""
        telescope = self.telescope
        efficiency = telescope.throughput * self.transmission * self.camera.quantum_efficiency
        return photometry.star_e_s(
            0.0,
            telescope.aperture_mm,
            efficiency,
            self.band_nm,
            self.wavelength_nm,
            telescope.obstruction,
        )

    def sky_e_s(self, sky_mag: float) -> float:
        """Electrons per second and pixel from a sky of `sky_mag` in V per square arcsecond."""
        band_mag = sky_mag
        if self.filter in _SKY_BANDS:
            band_mag += photometry.sky_colour_mag(self.filter, sky_mag)
        star20_e_s = self.zero_point_e_s * photometry.flux_ratio(20.0)
        return photometry.sky_e_s(star20_e_s, band_mag, self.scale_arcsec)


# Broad filters: name, width and centre in nm; emission lines: name and wavelength (common
# practice). Narrow filters lie between the sky's own lines: their sky has the colour of V.
_BROAD = (("L", 280.0, 550.0), ("R", 90.0, 630.0), ("G", 80.0, 530.0), ("B", 90.0, 450.0))
_LINES = (("Ha", 656.3), ("OIII", 500.7), ("SII", 671.6))
LINE_WIDTH_NM = (3.0, 12.0)
_SKY_BANDS = ("R", "B")


def _draw_filter(rng: np.random.Generator, cfa: bool) -> dict[str, Any]:
    """Narrow bands leave a colour sensor one good plane: they are drawn as a fault, not here."""
    number = 0 if cfa else int(rng.integers(len(_BROAD) + len(_LINES)))
    if number < len(_BROAD):
        name, band_nm, wavelength_nm = _BROAD[number]
        transmission = float(rng.uniform(0.9, 0.98))
    else:
        name, wavelength_nm = _LINES[number - len(_BROAD)]
        band_nm, transmission = log_uniform(rng, *LINE_WIDTH_NM), float(rng.uniform(0.75, 0.96))
    return {
        "filter": name,
        "band_nm": band_nm,
        "wavelength_nm": wavelength_nm,
        "transmission": transmission,
    }


def _draw_telescope(rng: np.random.Generator) -> Telescope:
    kind = rng.choice(["refractor", "lens", "newtonian", "obstructed"], p=[0.35, 0.1, 0.25, 0.3])
    if kind == "refractor":
        aperture, ratio, hole, vanes = log_uniform(rng, 50, 160), 4.5 + rng.exponential(2.2), 0.0, 0
    elif kind == "lens":
        ratio = rng.uniform(1.8, 5.6)
        aperture, hole, vanes = min(120.0, log_uniform(rng, 135, 500) / ratio), 0.0, 0
    elif kind == "newtonian":
        aperture, ratio = log_uniform(rng, 110, 320), rng.uniform(3.5, 6.0)
        hole, vanes = rng.uniform(0.22, 0.38), int(rng.choice([3, 4, 4, 4]))
    else:
        aperture, ratio = log_uniform(rng, 125, 360), log_uniform(rng, 5.5, 15.0)
        hole, vanes = rng.uniform(0.3, 0.5), int(rng.choice([0, 0, 3, 4]))
    ratio = min(ratio, 15.0)
    focal = float(np.clip(aperture * ratio, 135, 3000))
    return Telescope(
        aperture_mm=float(focal / ratio),
        focal_mm=focal,
        obstruction=float(hole),
        vanes=vanes,
        vane_mm=float(rng.uniform(0.5, 2.5)),
        vane_angle_deg=float(rng.choice([0.0, 45.0]) + rng.normal(0, 8) * (rng.random() < 0.5)),
        throughput=float(rng.uniform(0.6, 0.95)),
    )


def _draw_camera(rng: np.random.Generator, cfa_share: float) -> Camera:
    bits = int(rng.choice([10, 12, 14, 16], p=[0.04, 0.2, 0.28, 0.48]))
    blooms = bool(rng.random() < 0.12)
    full_well = log_uniform(rng, 10_000, 100_000)
    gain = full_well / (2**bits - 1) * log_uniform(rng, 0.15, 1.2)
    read_noise = log_uniform(rng, 5, 14) if blooms else log_uniform(rng, 1.0, 5.0)
    # No maker steps over more than some three read noises: the rest of the well is given up.
    gain = min(gain, 3 * read_noise)
    offset = log_uniform(rng, 0.002, 0.03) * 2**bits
    # The offset keeps even the lowest noise excursions over zero, as every maker sets it.
    offset = max(offset, 8 * read_noise / gain)
    return Camera(
        pixel_um=log_uniform(rng, 2.0, 9.0),
        gain_e_adu=float(gain),
        read_noise_e=float(read_noise),
        offset_adu=float(round(offset)),
        full_well_e=float(full_well),
        bits=bits,
        cfa=str(rng.choice(CFA_ORDERS)) if rng.random() < cfa_share else None,
        dark_e_s=log_uniform(rng, 0.0005, 0.1),
        quantum_efficiency=float(rng.uniform(0.45, 0.9)),
        blooms=blooms,
        binning=int(rng.choice([1, 2, 3], p=[0.8, 0.17, 0.03])),
    )


# Share of rigs with a short lens, as star cameras and wide-field photographers have.
SHORT_LENS_SHARE = 0.08


def _draw_short_lens(rng: np.random.Generator) -> Telescope:
    focal = log_uniform(rng, 12, 135)
    return Telescope(focal / rng.uniform(1.2, 4.0), focal, 0.0, 0, 0.0, 0.0, 0.8)


def _seeing(rng: np.random.Generator, telescope: Telescope, camera: Camera) -> float:
    """Width of a short lens's own spot, 0.7 to 2.5 px, in place of the far smaller seeing."""
    pixel_arcsec = 206.265 * camera.pixel_um * camera.binning / telescope.focal_mm
    return max(3.0, log_uniform(rng, 0.7, 2.5) * pixel_arcsec)


def draw_rig(
    rng: np.random.Generator, cfa_share: float = 0.35, short_share: float = SHORT_LENS_SHARE
) -> Rig:
    """A rig at random whose sampling is usable: stars up to 8 px wide."""
    for _ in range(200):
        is_short = rng.random() < short_share
        telescope = _draw_short_lens(rng) if is_short else _draw_telescope(rng)
        camera = _draw_camera(rng, cfa_share)
        rig = Rig(
            telescope=telescope,
            camera=camera,
            seeing_arcsec=_seeing(rng, telescope, camera) if is_short else log_uniform(rng, 1.3, 4),
            tracking_rms_arcsec=log_uniform(rng, 0.2, 1.0),
            sky_mag=float(rng.uniform(17.8, 21.8)),
            **_draw_filter(rng, camera.cfa is not None),
        )
        fwhm_px = np.hypot(rig.seeing_arcsec, 2.355 * rig.tracking_rms_arcsec) / rig.scale_arcsec
        if 0.4 <= rig.scale_arcsec <= (60.0 if is_short else 8.0) and fwhm_px <= 8.0:
            return rig
    raise RuntimeError("no usable rig in 200 draws: the sampler's ranges contradict each other")
