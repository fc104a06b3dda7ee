"""What each fault does to the light of a finished frame, in electrons.

A job holds the frame's light and its stand-in before and after the recipe; `relight` gives the
light as the fault would have left it, noise included. Motion, optics and air move the light by
kernels, shadows and losses thin it out, glows and trails add to it.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import torch
from numpy.random import Generator
from scipy import ndimage

from classifier.vocabulary import FAULTS, INDEX, KEYS
from synth import defects, reflections, shading, sky, streaks
from synth.crowding import left_by_stars
from synth.grafted_spikes import spike_snr
from synth.grain import sky_grain
from synth.kernels import optics_kernel, path_kernel, soft_kernel, spike_kernel
from synth.own_star import OwnStar, own_star
from synth.renoise import add, dim, smear
from synth.scene import Scene
from synth.stand_in import Source, smooth_sky
from synth.strength import NAN


@dataclass(frozen=True)
class Job:
    """One fault for one frame. light: (H, W) electrons. scene: the stand-in before the fault,
    changed: after it. strength: what was asked for."""

    source: Source
    light: np.ndarray
    scene: Scene
    changed: Scene
    strength: float
    rng: Generator


@dataclass(frozen=True)
class Applied:
    """light: (H, W) electrons with the fault. changed: the stand-in that goes with it. strength:
    what was reached where the stand-in's own light would say otherwise, else None."""

    light: np.ndarray
    changed: Scene
    strength: float | None = None


def relight(fault: str, job: Job) -> Applied:
    """The light as the fault would have left it."""
    return _APPLY[fault](job)


def _planes(source: Source, light: np.ndarray) -> list[np.ndarray]:
    """The frame itself, or writable views of the four places of its mosaic."""
    if source.cfa is None:
        return [light]
    return [light[i::2, j::2] for i in (0, 1) for j in (0, 1)]


def lone_pixels(plane_e: np.ndarray, noise_e: float, fwhm_px: float) -> np.ndarray:
    """What hot pixels and cosmic rays have over their surroundings, where no star can make it.

    10 sigma over the median of the neighbours (of 5 x 5 px where stars are 3.5 px wide or more, so
    that short tracks count), while that median itself stays under a share of it that even the
    sharpest star exceeds: a fifth of the excess for wide stars, a twentieth of the mean for others.
    """
    sky_e = float(np.median(plane_e))
    if fwhm_px >= 3.5:
        level = ndimage.median_filter(plane_e, 5, mode="mirror")
        excess = plane_e - level
        around, share = level - sky_e, 0.2
    else:
        ring = np.ones((3, 3))
        ring[1, 1] = 0
        level = ndimage.median_filter(plane_e, footprint=ring, mode="mirror")
        excess = plane_e - level
        around, share = ndimage.convolve(plane_e - sky_e, ring / 8, mode="mirror"), 0.05
    alone = (np.abs(excess) > 10 * noise_e) & (np.abs(around) < share * np.abs(excess))
    return np.where(alone, excess, 0.0)


def _smeared(job: Job, kernel_of: Callable[[float], np.ndarray]) -> np.ndarray:
    """Light moved by a kernel; `kernel_of` gives it for a pixel pitch in px (2 in a mosaic)."""
    source = job.source
    pitch_px = 1.0 if source.cfa is None else 2.0
    kernel = kernel_of(pitch_px)
    out = job.light.copy()
    for before, after in zip(_planes(source, job.light), _planes(source, out), strict=True):
        odd = lone_pixels(before, source.noise_adu * source.gain, source.fwhm_px / pitch_px)
        even = before - odd
        after[:] = smear(even, kernel, source.read_e, job.rng, sky_grain(even)) + odd
    return out


def _path(job: Job) -> Applied:
    path = job.changed.path
    return Applied(_smeared(job, lambda pitch: path_kernel(path, pitch)), job.changed)


def _optics(job: Job) -> Applied:
    return Applied(_smeared(job, lambda pitch: optics_kernel(job.changed, pitch)), job.changed)


def _soft(job: Job) -> Applied:
    return Applied(_smeared(job, lambda pitch: soft_kernel(job.changed, pitch)), job.changed)


def _spikes(job: Job) -> Applied:
    """Spikes on all stars, one of them as bright as the recipe made it; a bar too strong for them
    covers less of its length. Wanted but not to be seen, they are nobody's to name."""
    star = own_star(job.source, job.light)
    full = _spike_snr(job, star, 1.0)
    cover = min(1.0, job.strength / full) if full > 0 else 1.0
    light = add(job.light, _coloured(job.source, _brightened_stars(job, star)), job.rng)
    brighter = replace(job, light=light)
    after = _smeared(brighter, lambda pitch: spike_kernel(job.changed, cover, pitch))
    reached = _spike_snr(job, star, cover)
    counts_from = FAULTS[INDEX["diffraction_spikes"]].counts_from
    unseen = reached < counts_from <= job.strength
    return Applied(after, job.changed, NAN if unseen else reached)


def _spike_snr(job: Job, star: OwnStar, cover: float) -> float:
    """Of the frame's brightest star as the recipe left it, through bars of this cover."""
    x, y, flux = max(_places(job.changed), key=lambda place: place[2])
    return spike_snr(
        star,
        spike_kernel(job.changed, cover),
        flux,
        (x, y),
        (job.light.shape[0], job.light.shape[1]),
        [bar.angle_deg + 90 for bar in job.changed.bars],
        job.scene.noise_e / left_by_stars(job.scene),
        job.source.fwhm_px,
    )


def _axes(scene: Scene) -> tuple[torch.Tensor, torch.Tensor]:
    x_px = torch.arange(scene.width_px, dtype=torch.float32)
    return x_px, torch.arange(scene.height_px, dtype=torch.float32)


def _array(picture: torch.Tensor) -> np.ndarray:
    return picture[0].double().numpy()


def _coloured(source: Source, picture: np.ndarray) -> np.ndarray:
    """Light of the sky's own colour: each place of the mosaic takes its share of it."""
    height, width = picture.shape
    tiles = np.tile(source.plane_sky(), (-(-height // 2), -(-width // 2)))
    return picture * tiles[:height, :width]


def _thinned(job: Job, share: np.ndarray | float) -> Applied:
    return Applied(dim(job.light, share, job.source.read_e, job.rng), job.changed)


def _brightened(job: Job, more_e: np.ndarray) -> Applied:
    return Applied(add(job.light, more_e, job.rng), job.changed)


def _vignetting(job: Job) -> Applied:
    return _thinned(
        job, _array(shading.vignetting_map([job.changed.vignetting], *_axes(job.scene)))
    )


def _dust(job: Job) -> Applied:
    return _thinned(job, _array(shading.dust_map([job.changed.dust], *_axes(job.scene))))


def _gradient(job: Job) -> Applied:
    skies = _array(sky.gradient_map([job.changed.gradient], *_axes(job.scene)))
    return _brightened(job, _coloured(job.source, skies * job.source.sky_e))


def _reflection(job: Job) -> Applied:
    """Stray light, and the star it comes from made as bright as it must be to cast it."""
    skies = _array(reflections.reflection_map([job.changed.reflection], *_axes(job.scene)))
    more = skies * job.source.sky_e + _brightened_stars(job, own_star(job.source, job.light))
    return _brightened(job, _coloured(job.source, more))


def _brightened_stars(job: Job, star: OwnStar) -> np.ndarray:
    """(H, W) electrons that stars of the changed stand-in have more than the frame's."""
    light = np.zeros(job.light.shape)
    before = {(x, y): f for x, y, f in _places(job.scene)}
    for x, y, flux in _places(job.changed):
        extra = flux - before.get((x, y), 0.0)
        if extra > 0:
            light += extra * star.light((job.light.shape[0], job.light.shape[1]), x, y)
    return light


def _places(scene: Scene) -> list[tuple[float, float, float]]:
    stars = scene.stars
    table = np.stack((stars.x_px, stars.y_px, stars.flux_e), 1)
    return [(float(x), float(y), float(flux)) for x, y, flux in table]


def _clouds(job: Job) -> Applied:
    """Stars times T; the sky, which glows before the clouds as well, (1 + glow) times itself."""
    veil, axes = [job.changed.clouds], _axes(job.scene)
    loss_mag = sky.cloud_loss_map(veil, *axes)
    glow = _array(sky.cloud_glow_map(veil, *axes, loss_mag))
    through = _array(10 ** (-0.4 * loss_mag))
    level = np.empty_like(job.light)
    planes = zip(_planes(job.source, job.light), _planes(job.source, level), strict=True)
    for before, part in planes:
        part[:] = smooth_sky(before)
    more = np.maximum(level, 0.0) * np.maximum(1 + glow - through, 0.0)
    thinned = dim(job.light, through, job.source.read_e, job.rng)
    return Applied(add(thinned, more, job.rng), job.changed)


def _trail(job: Job) -> Applied:
    light = _array(streaks.trail_map([job.changed.trails], *_axes(job.scene)))
    return _brightened(job, _coloured(job.source, light))


def _hot(job: Job) -> Applied:
    more = np.zeros(job.light.size)
    for places, electrons in (defects.hot_pixels(job.changed), defects.bad_columns(job.changed)):
        np.add.at(more, places, electrons)
    return _brightened(job, more.reshape(job.light.shape))


def _shorter(job: Job) -> Applied:
    """A shorter sub. It cannot be longer: a frame with less signal than wanted stays as it is."""
    share = job.changed.exposure_s / job.scene.exposure_s
    return _thinned(job, share) if share < 1 else Applied(job.light, job.scene)


def _bayer(job: Job) -> Applied:
    """Each colour thinned to the response wanted of it, on top of what the frame has."""
    wanted = np.asarray(job.changed.plane_response) / job.source.plane_sky().ravel()
    height, width = job.light.shape
    tiles = (wanted / wanted.max()).reshape(2, 2)
    return _thinned(job, np.tile(tiles, (-(-height // 2), -(-width // 2)))[:height, :width])


_APPLY: dict[str, Callable[[Job], Applied]] = {
    "hot_pixels": _hot,
    "dust_motes": _dust,
    "vignetting": _vignetting,
    "clouds": _clouds,
    "vibration": _path,
    "drift": _path,
    "defocus": _optics,
    "trail": _trail,
    "bloated_stars": _soft,
    "miscollimation": _optics,
    "diffraction_spikes": _spikes,
    "gradient": _gradient,
    "guiding_loss": _path,
    "low_signal": _shorter,
    "bayer_grid": _bayer,
    "reflection": _reflection,
}
assert set(_APPLY) == set(KEYS), "a fault cannot be grafted"
