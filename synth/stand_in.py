"""A real frame's stand-in: the scene that recipes need, made from what is known of the frame.

Recipes change a `Scene`. For a real frame nobody knows the scene, but its stars' width, its sky,
its noise and its brightest stars are measured, and the rest (obstruction, aperture) is drawn
within reason. Strengths then mean the same on grafted frames as on rendered ones.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.random import Generator
from scipy import ndimage

from synth.catalogue import StarList
from synth.rig import Camera, Rig, Telescope
from synth.scene import Scene

# Sky over squared read noise taken where neither is known: read noise then adds 5 % to the noise,
# which is what subs are commonly exposed for (common practice).
USUAL_SKY_OVER_READ2 = 10.0
_PHOTON_SHARE = USUAL_SKY_OVER_READ2 / (USUAL_SKY_OVER_READ2 + 1)
_MESH_PX = 32


@dataclass(frozen=True)
class Source:
    """A real good frame to graft onto.

    pixels: (H, W) float32 ADU, raw mosaic where `cfa` (order at [0, 0], [0, 1], [1, 0], [1, 1])
    is given. fwhm_px: measured width of its stars. The other facts may be None, unknown: they are
    then taken from the frame's noise, and without a gain the offset as 0.
    """

    pixels: np.ndarray
    fwhm_px: float
    gain_e_adu: float | None = None
    read_noise_e: float | None = None
    offset_adu: float | None = None
    saturation_adu: float | None = None
    scale_arcsec: float | None = None
    focal_ratio: float | None = None
    exposure_s: float | None = None
    cfa: str | None = None

    @cached_property
    def noise_adu(self) -> float:
        """Sigma of an empty pixel, from differences of pixels of one colour in a row."""
        steps = self.pixels[:, 2:].astype(float) - self.pixels[:, :-2]
        # 1.4826: MAD to sigma. Whole numbers of low noise need the floor of their own rounding.
        return float(max(1.4826 * np.median(np.abs(steps)) / 2**0.5, 0.3 * self.step_adu, 1e-9))

    @cached_property
    def step_adu(self) -> float:
        """1 for whole numbers, 0 for anything finer."""
        return 1.0 if not np.mod(self.pixels[:: 1 + len(self.pixels) // 64], 1).any() else 0.0

    @cached_property
    def sky_adu(self) -> float:
        """Median above the offset (0 where unknown)."""
        return float(np.median(self.pixels)) - self.zero_adu

    @cached_property
    def zero_adu(self) -> float:
        """Level without light: the offset, worked out from the noise where the gain is known."""
        if self.offset_adu is not None:
            return self.offset_adu
        level = float(np.median(self.pixels))
        if self.gain_e_adu and self.read_noise_e:
            sky_e = (self.gain_e_adu * self.noise_adu) ** 2 - self.read_noise_e**2
            return level - max(sky_e, 0.0) / self.gain_e_adu
        if self.gain_e_adu:
            return level - _PHOTON_SHARE * self.gain_e_adu * self.noise_adu**2
        # Background already taken off: any sky that goes with the noise will do.
        return 0.0 if level > 5 * self.noise_adu else level - 25 * self.noise_adu

    @cached_property
    def gain(self) -> float:
        """Electrons per ADU; unknown: that which makes the noise photon noise, mostly."""
        if self.gain_e_adu:
            return self.gain_e_adu
        return max(self.sky_adu, self.noise_adu) * _PHOTON_SHARE / self.noise_adu**2

    @cached_property
    def read_e(self) -> float:
        """Electrons of read noise; unknown: what the frame's noise has beyond its photons."""
        if self.read_noise_e:
            return self.read_noise_e
        beyond = (self.gain * self.noise_adu) ** 2 - max(self.sky_adu, 0.0) * self.gain
        return float(np.sqrt(max(beyond, 0.01 * (self.gain * self.noise_adu) ** 2)))

    @property
    def sky_e(self) -> float:
        """Electrons of sky per pixel, at least one."""
        return max(1.0, self.sky_adu * self.gain)

    @property
    def knows_sky(self) -> bool:
        """Whether shares of the sky are known: the offset is, or can be worked out."""
        return self.offset_adu is not None or bool(self.gain_e_adu and self.read_noise_e)

    def electrons(self) -> np.ndarray:
        """(H, W) float64 electrons above the offset."""
        return (self.pixels.astype(float) - self.zero_adu) * self.gain

    def plane_sky(self) -> np.ndarray:
        """(2, 2) sky of the four places of the mosaic over their mean; ones without a mosaic."""
        if self.cfa is None:
            return np.ones((2, 2))
        light = self.electrons()
        planes = [[np.median(light[i::2, j::2]) for j in (0, 1)] for i in (0, 1)]
        levels = np.maximum(np.asarray(planes), 0.02 * self.sky_e)
        return levels / levels.mean()


def smooth_sky(light_e: np.ndarray) -> np.ndarray:
    """(H, W) the sky under the stars: medians of cells, enlarged."""
    height, width = light_e.shape
    rows, columns = max(2, height // _MESH_PX), max(2, width // _MESH_PX)
    bands = np.array_split(light_e, rows, 0)
    cells = [[np.median(cell) for cell in np.array_split(band, columns, 1)] for band in bands]
    quiet = ndimage.median_filter(np.asarray(cells), 3, mode="nearest")
    y = (np.arange(height) + 0.5) / height * rows - 0.5
    x = (np.arange(width) + 0.5) / width * columns - 0.5
    grid = np.meshgrid(y, x, indexing="ij")
    return ndimage.map_coordinates(quiet, grid, order=1, mode="nearest")


def bright_stars(source: Source, light_e: np.ndarray, count: int = 2000) -> StarList:
    """The frame's brightest stars, `count` at most: peaks of the light in a window of 2 FWHM."""
    side = 2 * int(np.ceil(source.fwhm_px)) + 1
    above = light_e - smooth_sky(light_e)
    flux = ndimage.uniform_filter(above, side) * side**2
    peaks = (ndimage.maximum_filter(flux, 2 * side + 1) == flux) & (
        flux > 5 * side * source.noise_adu * source.gain
    )
    y, x = np.nonzero(peaks)
    order = np.argsort(-flux[y, x])[:count]
    y, x = y[order], x[order]
    return StarList(x.astype(float), y.astype(float), flux[y, x], np.full(len(x), 0.7))


def stand_in(source: Source, light_e: np.ndarray, rng: Generator) -> Scene:
    """A scene with the frame's size, stars' width, sky, noise, sampling and brightest stars."""
    height, width = source.pixels.shape
    scale = source.scale_arcsec or float(rng.uniform(1.0, 3.0))
    ratio = source.focal_ratio or float(rng.uniform(4.0, 8.0))
    camera = Camera(
        pixel_um=4.0,
        gain_e_adu=source.gain,
        read_noise_e=source.read_e,
        offset_adu=source.zero_adu,
        full_well_e=max(1e4, float(light_e.max())),
        bits=16,
        cfa=source.cfa,
        dark_e_s=0.0,
        quantum_efficiency=0.7,
        blooms=False,
    )
    focal = 206.265 * camera.pixel_um / scale
    hole = float(rng.choice([0.0, rng.uniform(0.25, 0.4)]))
    telescope = Telescope(focal / ratio, focal, hole, 0, 1.0, 0.0, 0.8)
    # Of the measured width the pixel has 0.7 px and diffraction 1.03 lambda / D, in quadrature.
    wave_px = 206265 * 550e-6 / telescope.aperture_mm / scale
    seeing = float(np.sqrt(max(source.fwhm_px**2 - 0.49 - (1.03 * wave_px) ** 2, 0.5))) * scale
    rig = Rig(telescope, camera, seeing, 0.0, 20.0, 100.0, 550.0, "L")
    exposure = source.exposure_s or 60.0
    dimmer = source.sky_e / (rig.sky_e_s(20.0) * exposure)
    rig = replace(rig, sky_mag=20.0 - 2.5 * float(np.log10(dimmer)))
    return Scene(
        rig=rig,
        width_px=width,
        height_px=height,
        exposure_s=exposure,
        sky_mag=rig.sky_mag,
        field_seed=int(rng.integers(2**31)),
        stars=bright_stars(source, light_e),
        hot_share=0.0,
    )
