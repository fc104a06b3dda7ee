"""The light budget of one sub: sky electrons against read noise, and what a longer sub would burn.

    budget = light_budget(frame, rig, masters)       # FrameError where electrons cannot be counted
    budget.sub_length_s(0.05)                        # read noise adds 5 % to the noise
    budget.at_length(120.0)                          # stars saturated, pixels clipped

On a colour mosaic each colour has a sky of its own; the dimmest decides the length.
"""

from dataclasses import dataclass, field

import numpy as np

from classifier import exposure
from classifier.background import Background, measure_background
from classifier.camera_facts import (
    ASSUMED,
    GIVEN,
    HEADER,
    MEASURED,
    CameraFacts,
    Known,
    Masters,
    camera_facts,
)
from classifier.errors import FrameError
from classifier.frame import Frame
from classifier.pixel_defects import pixel_noise
from classifier.rig import Rig
from classifier.stars import find_stars

Array = np.ndarray

DISAGREE = 1.4  # noise that differs by more from what the facts predict is told
BRIGHTEST = 20_000


@dataclass(frozen=True)
class Levels:
    """How many pixels reach which level, in little room: the frame itself is not kept.

    brightest_adu: the highest pixels, ascending; quantiles_adu: at 0, 0.1 ... 100 % of the others
    and these; count: of all pixels.
    """

    brightest_adu: Array
    quantiles_adu: Array
    count: int

    @staticmethod
    def of(pixels: Array) -> "Levels":
        values = pixels.ravel()
        kept = min(BRIGHTEST, values.size)
        brightest = np.sort(np.partition(values, values.size - kept)[values.size - kept :])
        sample = values[:: max(1, values.size // 500_000)]
        return Levels(brightest, np.quantile(sample, np.linspace(0, 1, 1001)), values.size)

    def share_from(self, level_adu: float) -> float:
        """Share of pixels at this level or above."""
        if level_adu >= self.brightest_adu[0]:
            first = np.searchsorted(self.brightest_adu, level_adu)
            return (len(self.brightest_adu) - int(first)) / self.count
        return 1 - float(np.searchsorted(self.quantiles_adu, level_adu)) / 1001


@dataclass(frozen=True)
class Highlights:
    """What a sub of some length burns: stars whose peak saturates, share of pixels clipped.
    at_most: true for lengths below the sub's own, where what is burnt now hides its true light."""

    stars: float
    clipped_share: float
    at_most: bool


@dataclass(frozen=True)
class LightBudget:
    """name, filter, exposure_s of the sub; camera facts; sky_e_per_s: electrons per pixel and
    second of each colour ("" for monochrome), dark current taken off; sky: where it comes from.
    fwhm_px: of the stars, None without any. scale_arcsec, aperture_mm as known."""

    name: str
    filter: str | None
    exposure_s: float
    camera: CameraFacts
    sky_e_per_s: dict[str, float]
    sky: Known
    fwhm_px: float | None
    scale_arcsec: float | None
    aperture_mm: Known
    notes: list[str] = field(default_factory=list)
    _peaks_adu: Array = field(default_factory=lambda: np.zeros(0), repr=False)
    _levels: Levels | None = field(default=None, repr=False)
    _stars_per_peak: float = 1.0
    _offset_adu: float = 0.0

    @property
    def read_noise_e(self) -> float:
        return self.camera.read_noise_e.value or 0.0

    @property
    def rate_e_per_s(self) -> float:
        """Sky and dark electrons per second of the dimmest colour."""
        return min(self.sky_e_per_s.values()) + (self.camera.dark_e_per_s.value or 0.0)

    def sub_length_s(self, excess: float) -> float:
        return exposure.sub_length_s(self.read_noise_e, self.rate_e_per_s, excess)

    @property
    def noise_excess(self) -> float:
        return exposure.noise_excess(self.read_noise_e, self.rate_e_per_s, self.exposure_s)

    @property
    def read_noise_share(self) -> float:
        return exposure.read_noise_share(self.read_noise_e, self.rate_e_per_s, self.exposure_s)

    def at_length(self, seconds: float) -> Highlights | None:
        """Stars and pixels that reach saturation in a sub of this length; None where unknown."""
        top = self.camera.saturation_adu.value
        if top is None or seconds <= 0:
            return None
        # Light above the offset grows with the time; saturation stays where it is.
        limit = self._offset_adu + (top - self._offset_adu) * self.exposure_s / seconds
        limit = min(limit, top)
        stars = float(np.count_nonzero(self._peaks_adu >= limit)) * self._stars_per_peak
        share = self._levels.share_from(limit) if self._levels is not None else 0.0
        return Highlights(stars, share, seconds < self.exposure_s)


def light_budget(
    frame: Frame, rig: Rig | None = None, masters: Masters | None = None, name: str = ""
) -> LightBudget:
    """The budget of a frame as read without the rig.

    FrameError where the exposure is unknown, or gain and sky can neither be read nor measured.
    """
    seconds = frame.facts.exposure_s
    if not seconds:
        raise FrameError("The header states no exposure time, so there is no rate to tell.")
    background = measure_background(frame.pixels, frame.facts.bayer, frame.overview)
    camera = camera_facts(frame, background, rig, masters or Masters())
    if camera.missing():
        raise FrameError(f"Electrons cannot be counted: {camera.missing()}.")
    if frame.planes is not None and camera.offset_adu.value is None:
        raise FrameError(
            "The colours of this picture were interpolated, which changes its noise; give --offset "
            "or the raw sub."
        )
    planes = _planes(frame, background)
    electrons, origin, offset = _sky(planes, camera)
    dark = camera.dark_e_per_s.value or 0.0
    rates = {colour: e / seconds - dark for colour, e in electrons.items()}
    if min(rates.values()) <= 0:
        raise FrameError(
            f"The sky comes out at {min(rates.values()):.3g} e/s per pixel, which cannot be: check "
            "offset, gain and read noise, and whether the sky was taken out of this sub."
        )
    facts = rig.apply(frame.facts) if rig else frame.facts
    found = find_stars(background, camera.saturation_adu.value)
    shaped = found.stars["fwhm_px"][found.stars["shaped"]]
    aperture = HEADER if rig is None or rig.aperture_mm is None else GIVEN
    return LightBudget(
        name=name or frame.path.name,
        filter=facts.filter,
        exposure_s=seconds,
        camera=camera,
        sky_e_per_s=rates,
        sky=origin,
        fwhm_px=float(np.median(shaped)) if len(shaped) else None,
        scale_arcsec=facts.scale_arcsec,
        aperture_mm=Known(facts.aperture_mm, aperture),
        notes=_doubts(planes, camera, electrons),
        _peaks_adu=_peaks(frame.pixels, found.stars),
        _levels=Levels.of(frame.pixels),
        _stars_per_peak=found.count / max(1, len(found.stars)),
        _offset_adu=offset,
    )


def _planes(frame: Frame, background: Background) -> dict[str, tuple[float, float]]:
    """Median level and noise in ADU of each colour, the two greens together."""
    if not (frame.facts.bayer and background.mosaic):
        return {"": (background.level_adu, background.noise_adu)}
    x0, y0, x1, y1 = background.lit
    inside = frame.pixels[y0:y1, x0:x1]  # corners are even: the mosaic's phase is kept
    values: dict[str, list[tuple[float, float]]] = {}
    for place, colour in enumerate(frame.facts.bayer):
        plane = np.ascontiguousarray(inside[place // 2 :: 2, place % 2 :: 2])
        level = float(np.median(plane[:: max(1, plane.shape[0] // 512)]))
        values.setdefault(colour, []).append((level, pixel_noise(plane)))
    return {c: tuple(np.mean(pairs, axis=0).tolist()) for c, pairs in sorted(values.items())}


def _sky(
    planes: dict[str, tuple[float, float]], camera: CameraFacts
) -> tuple[dict[str, float], Known, float]:
    """Sky and dark electrons a sub of each colour, where they come from, and the offset in ADU."""
    gain, offset = camera.gain_e_adu.value or 0.0, camera.offset_adu.value
    if offset is not None:
        electrons = {colour: (level - offset) * gain for colour, (level, _) in planes.items()}
        worst = ASSUMED if ASSUMED in (camera.gain_e_adu.origin,) else MEASURED
        return electrons, Known(None, worst, "level above the offset, times the gain"), offset
    # Without an offset the noise tells: (gain noise)^2 = sky + read noise^2.
    read_noise = camera.read_noise_e.value or 0.0
    electrons = {c: (gain * noise) ** 2 - read_noise**2 for c, (_, noise) in planes.items()}
    if min(electrons.values()) < 0.1 * read_noise**2:
        raise FrameError(
            "The offset is unknown and the noise is read noise alone, so the sky cannot be told; "
            "give --offset or --bias."
        )
    offset = float(np.mean([planes[c][0] - e / gain for c, e in electrons.items()]))
    origin = ASSUMED if camera.read_noise_e.origin == ASSUMED else MEASURED
    note = "from the noise, for want of an offset"
    if origin == ASSUMED:
        # Where the sky is bright, what was assumed does not matter.
        bright = min(electrons.values()) > 10 * read_noise**2
        origin, note = (
            (MEASURED, note) if bright else (origin, f"{note}, and the assumed read noise")
        )
    return electrons, Known(None, origin, note), offset


def _doubts(
    planes: dict[str, tuple[float, float]], camera: CameraFacts, electrons: dict[str, float]
) -> list[str]:
    """Where level and noise contradict each other, gain or offset is not this camera's."""
    gain, read_noise = camera.gain_e_adu.value or 0.0, camera.read_noise_e.value or 0.0
    if camera.offset_adu.value is None or camera.gain_e_adu.origin in (MEASURED, ASSUMED):
        return []
    for colour, (_, noise) in planes.items():
        expected = (max(electrons[colour], 0.0) + read_noise**2) ** 0.5 / gain
        ratio = noise / expected
        if not 1 / DISAGREE < ratio < DISAGREE:
            return [
                f"the noise is {noise:.1f} ADU where gain, offset and read noise make it "
                f"{expected:.1f}: one of them is not this sub's, or it was calibrated or averaged"
            ]
    return []


def _peaks(pixels: Array, stars: Array) -> Array:
    """The highest stored pixel within one of each star's centre."""
    height, width = pixels.shape
    column = np.rint(stars["x"]).astype(int)
    row = np.rint(stars["y"]).astype(int)
    around = [
        pixels[np.clip(row + dy, 0, height - 1), np.clip(column + dx, 0, width - 1)]
        for dy in (-1, 0, 1)
        for dx in (-1, 0, 1)
    ]
    return np.max(around, axis=0) if len(stars) else np.zeros(0)
