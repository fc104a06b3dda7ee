"""What is wrong with single pixels: those that hold electrons no light brought (hot pixels, bad
columns, rays), dead ones, and how unlike all of them answer to light."""

import numpy as np

from synth.rng import log_uniform, stream
from synth.scene import Scene


def hot_pixels(scene: Scene) -> tuple[np.ndarray, np.ndarray]:
    """Flat places and electrons of a run's hot pixels: the same in all its frames.

    The tail is log-normal: a few pixels are much hotter than most. One in twelve has a neighbour
    that leaks too. Many more are merely warm: exponential, a few sigma of the noise on average.
    """
    rng = stream(scene.field_seed, "hot")
    pixels = scene.width_px * scene.height_px
    count = int(rng.binomial(pixels, min(0.5, scene.hot_share)))
    places = rng.integers(0, pixels, count)
    step = np.array([1, scene.width_px])[rng.integers(0, 2, count // 12)]
    places = np.concatenate((places, (places[: count // 12] + step) % pixels))
    electrons = scene.hot_e * np.exp(rng.normal(0, 0.7, len(places)))
    warm = int(rng.binomial(pixels, min(0.5, scene.warm_share)))
    places = np.concatenate((places, rng.integers(0, pixels, warm)))
    electrons = np.concatenate((electrons, scene.noise_e * rng.exponential(2.0, warm)))
    return places, electrons


def response_rms(scene: Scene) -> float:
    """How unlike the pixels of the run's sensor answer to light, as an rms share (PRNU): 0.2 to 1 %
    of one pixel (common practice); binning averages it."""
    one = log_uniform(stream(scene.field_seed, "response"), 0.002, 0.01)
    return one / scene.rig.camera.binning


def dead_pixels(scene: Scene) -> tuple[np.ndarray, np.ndarray]:
    """Pixels that collect nothing: as many electrons taken away as no light can bring."""
    rng = stream(scene.field_seed, "dead")
    pixels = scene.width_px * scene.height_px
    count = int(rng.binomial(pixels, scene.dead_share))
    return rng.integers(0, pixels, count), np.full(count, -1e7)


def bad_columns(scene: Scene) -> tuple[np.ndarray, np.ndarray]:
    """Columns that are high from some row on, some of them faintly, some glaringly."""
    rng = stream(scene.field_seed, "columns")
    height, width = scene.height_px, scene.width_px
    places, electrons = [np.zeros(0, int)], [np.zeros(0)]
    for _ in range(scene.bad_columns):
        column, start = int(rng.integers(width)), max(0, int(rng.integers(-height, height)))
        level = float(scene.noise_e * rng.choice([rng.uniform(2, 6), rng.uniform(10, 40)]))
        places.append(np.arange(start, height) * width + column)
        electrons.append(np.full(height - start, level))
    return np.concatenate(places), np.concatenate(electrons)


def cosmic_rays(scene: Scene) -> tuple[np.ndarray, np.ndarray]:
    """Short tracks; about one hit per cm2 and minute at sea level (common practice)."""
    rng = stream(scene.field_seed, "rays", round(1000 * scene.shift_px[0]))
    pixel_cm = scene.rig.camera.pixel_um * 1e-4 * scene.rig.camera.binning
    area_cm2 = scene.width_px * scene.height_px * pixel_cm**2
    count = min(200, int(rng.poisson(area_cm2 * scene.exposure_s / 60)))
    places, electrons = [], []
    for _ in range(count):
        x, y = rng.uniform(2, scene.width_px - 3), rng.uniform(2, scene.height_px - 3)
        length, angle = min(12.0, 1 + rng.exponential(2.0)), rng.uniform(0, 2 * np.pi)
        steps = np.arange(0, length, 0.7)
        xs = np.clip(np.rint(x + steps * np.cos(angle)), 0, scene.width_px - 1).astype(int)
        ys = np.clip(np.rint(y + steps * np.sin(angle)), 0, scene.height_px - 1).astype(int)
        places.append(ys * scene.width_px + xs)
        electrons.append(np.full(len(xs), rng.exponential(900.0) / max(1.0, length**0.5)))
    if not places:
        return np.zeros(0, int), np.zeros(0)
    return np.concatenate(places), np.concatenate(electrons)
