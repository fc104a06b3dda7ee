"""Star light per colour plane: narrow-band light on a colour sensor reaches one plane only."""

from dataclasses import dataclass

import numpy as np

from classifier.background import Background

Array = np.ndarray

MAX_STARS = 60


@dataclass(frozen=True)
class PlaneLight:
    """Mean star light per plane, the strongest being 1: the four of the mosaic in the order
    [0,0], [0,1], [1,0], [1,1], or three colours. snr: of the strongest plane's light."""

    shares: tuple[float, ...]
    snr: float

    @property
    def ratio(self) -> float:
        """Weakest over strongest plane, not below 0."""
        return max(0.0, min(self.shares))


def mosaic_light(background: Background, stars: Array, radius_px: float) -> PlaneLight | None:
    """From a raw mosaic; None without stars that are bright enough."""
    sums, noise = np.zeros(4), 0.0
    for x, y in _places(stars):
        for window in background.windows:
            stamp = _stamp(window.raw, x - window.x0, y - window.y0, radius_px)
            if stamp is None:
                continue
            pixels, distance, column, row = stamp
            phase = (row % 2) * 2 + column % 2
            sums += [_mean_light(pixels, distance, phase == p, radius_px) for p in range(4)]
            noise += background.noise_adu**2 / max(1.0, np.pi * radius_px**2 / 4)
            break
    return _as_light(sums, noise)


def colour_light(
    planes: Array, background: Background, stars: Array, radius_px: float
) -> PlaneLight | None:
    """From (3, H, W) colour planes; None without stars that are bright enough."""
    sums, noise = np.zeros(3), 0.0
    for x, y in _places(stars):
        stamps = [_stamp(plane, x, y, radius_px) for plane in planes]
        light = [
            _mean_light(stamp[0], stamp[1], np.ones(stamp[0].shape, bool), radius_px)
            for stamp in stamps
            if stamp is not None
        ]
        if len(light) == 3:
            sums += light
            noise += background.noise_adu**2 / max(1.0, np.pi * radius_px**2)
    return _as_light(sums, noise)


def _places(stars: Array) -> list[tuple[float, float]]:
    good = stars[~stars["saturated"] & ~stars["edge"] & (stars["snr"] > 15)][:MAX_STARS]
    return [(float(star["x"]), float(star["y"])) for star in good]


def _stamp(image: Array, x: float, y: float, radius_px: float) -> list[Array] | None:
    """Pixels round (x, y), their distances, columns and rows; None near the edge."""
    reach = int(np.ceil(4 * radius_px)) + 1
    column, row = round(x), round(y)
    height, width = image.shape
    if not (reach <= column < width - reach and reach <= row < height - reach):
        return None
    pixels = image[row - reach : row + reach + 1, column - reach : column + reach + 1]
    rows, columns = np.indices(pixels.shape)
    rows, columns = rows + row - reach, columns + column - reach
    return [pixels, np.hypot(columns - x, rows - y), columns, rows]


def _mean_light(pixels: Array, distance: Array, plane: Array, radius_px: float) -> float:
    inside = plane & (distance <= max(radius_px, 1.5))
    around = plane & (distance > 2.5 * radius_px) & (distance <= 4 * radius_px + 1)
    if not inside.any() or not around.any():
        return 0.0
    return float(pixels[inside].mean() - np.median(pixels[around]))


def _as_light(sums: Array, variance: float) -> PlaneLight | None:
    strongest = float(sums.max())
    if strongest <= 0 or variance <= 0:
        return None
    snr = strongest / variance**0.5
    if snr < 20:
        return None
    return PlaneLight(tuple(float(value) / strongest for value in sums), snr)
