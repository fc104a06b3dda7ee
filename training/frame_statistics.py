"""What a frame is like in numbers that any astronomer would compare: noise, stars, counts, defects.

    numbers = statistics(pixels, is_mosaic=False, fwhm_px=2.9)   # (len(STATISTICS),), NaN unknown

For telling rendered frames from real ones; the network sees none of it. A mosaic is read as the
means of 2 x 2 px.
"""

import numpy as np

from synth.relight import lone_pixels
from synth.stand_in import Source, bright_stars, smooth_sky

# Radial bands of spatial frequency, cycles per px, whose share of the sky noise is told.
BANDS = ((0.02, 0.06), (0.06, 0.15), (0.15, 0.3), (0.3, 0.5), (0.5, 0.71))
# Rings about a star, in its FWHM, whose light is told over that within half a FWHM.
RINGS = ((0.5, 1.0), (1.0, 1.5), (1.5, 2.5), (2.5, 4.0))
STATISTICS: tuple[str, ...] = (
    *(f"noise_power_{low:g}_{high:g}" for low, high in BANDS),
    "noise_rows_over_columns",
    *(f"star_light_{low:g}_{high:g}_fwhm" for low, high in RINGS),
    "count_slope",
    "log_hot_share",
    "hot_tail",
)
_EDGES = (RINGS[0][0], *(high for _, high in RINGS))
# Places within a pixel, so that a ring takes its share of the pixels on its edge.
_SUB_X, _SUB_Y = (g.ravel() for g in np.meshgrid(*[(np.arange(5) - 2) / 5] * 2))
_TILE_PX = 64
_STARS = 30


def statistics(pixels: np.ndarray, is_mosaic: bool, fwhm_px: float) -> np.ndarray:
    """(H, W) ADU of a frame with stars of that width -> (len(STATISTICS),) float64."""
    if is_mosaic:
        even = pixels[: pixels.shape[0] // 2 * 2, : pixels.shape[1] // 2 * 2]
        pixels = even.reshape(len(even) // 2, 2, -1, 2).mean((1, 3))
        fwhm_px = fwhm_px / 2
    source = Source(pixels.astype(np.float32), max(1.0, fwhm_px), 1.0, offset_adu=0.0)
    flat = pixels - smooth_sky(pixels.astype(float))
    return np.concatenate(
        (
            noise_spectrum(flat, source.noise_adu),
            star_rings(source, flat),
            [count_slope(source, pixels)],
            hot_tail(source, pixels),
        )
    )


def noise_spectrum(flat: np.ndarray, noise_adu: float) -> np.ndarray:
    """log10 of the sky noise's power in each band over its mean, then that of the rows' over the
    columns'; from the quarter of the tiles that has least in it. White noise gives zeros."""
    side = min(_TILE_PX, *flat.shape)
    tiles = [
        flat[y : y + side, x : x + side]
        for y in range(0, flat.shape[0] - side + 1, side)
        for x in range(0, flat.shape[1] - side + 1, side)
    ]
    tiles.sort(key=lambda tile: float(np.quantile(tile, 0.998)))
    window = np.hanning(side)[:, None] * np.hanning(side)[None]
    power = np.zeros((side, side))
    for tile in tiles[: max(1, len(tiles) // 4)]:
        calm = np.clip(tile - np.median(tile), -4 * noise_adu, 4 * noise_adu)
        power += np.abs(np.fft.fft2((calm - calm.mean()) * window)) ** 2
    frequency = np.fft.fftfreq(side)
    radius = np.hypot(frequency[:, None], frequency[None])
    mean = power[radius > BANDS[0][0]].mean()
    bands = [power[(radius >= low) & (radius < high)].mean() for low, high in BANDS]
    away = np.abs(frequency) > 2.5 / side
    lines = power[0, away].mean() / power[away, 0].mean()
    return np.log10(np.maximum(np.append(np.array(bands) / mean, lines), 1e-6))


def star_rings(source: Source, flat: np.ndarray) -> np.ndarray:
    """Light in rings over that within half a FWHM: medians of the brightest lone unsaturated stars.

    NaN with fewer than three of them.
    """
    width, top = source.fwhm_px, float(source.pixels.max())
    reach = int(np.ceil(6 * width))
    stars = bright_stars(source, source.pixels.astype(float))
    y, x = np.indices((2 * reach + 1, 2 * reach + 1)) - reach
    found = []
    for number in range(len(stars.x_px)):
        cx, cy = int(stars.x_px[number]), int(stars.y_px[number])
        inside = reach <= cx < flat.shape[1] - reach and reach <= cy < flat.shape[0] - reach
        away = np.hypot(stars.x_px - cx, stars.y_px - cy)
        if not inside or ((away > 0) & (away < 8 * width)).any():
            continue
        box = flat[cy - reach : cy + reach + 1, cx - reach : cx + reach + 1]
        raw = source.pixels[cy - 2 : cy + 3, cx - 2 : cx + 3]
        if raw.max() >= 0.9 * top:
            continue
        core = np.maximum(box, 0) * (np.hypot(x, y) < width)
        dx, dy = (core * x).sum() / core.sum(), (core * y).sum() / core.sum()
        radius = np.hypot(x[..., None] - dx + _SUB_X, y[..., None] - dy + _SUB_Y) / width
        box = box - np.median(box[radius[..., 12] > 4.5])
        within = [float((box * (radius < edge).mean(2)).sum()) for edge in _EDGES]
        if within[0] > 0:
            found.append(np.diff(within) / within[0])
        if len(found) == _STARS:
            break
    return np.median(found, 0) if len(found) >= 3 else np.full(len(RINGS), np.nan)


def count_slope(source: Source, pixels: np.ndarray) -> float:
    """d log10 N / dm of the stars' counts, by the likeliest power law; NaN under ten stars.

    N(>F) ~ F^-a has a = n / sum ln(F / F_least), and 0.4 a is its slope in magnitudes (Hill 1975,
    Ann. Stat. 3, 1163). The faint end, where stars are missed, is cut off at twice the limit.
    """
    flux = bright_stars(source, pixels.astype(float), 2000).flux_e
    if len(flux) == 0:
        return float("nan")
    least = 2 * float(flux.min())
    flux = flux[flux >= least]
    return float(0.4 * len(flux) / np.log(flux / least).sum()) if len(flux) >= 10 else float("nan")


def hot_tail(source: Source, pixels: np.ndarray) -> np.ndarray:
    """log10 of the share of lone pixels over 10 sigma (and 1e-6), and how many of them are over
    40 sigma (0.5 where there are none to tell)."""
    over = lone_pixels(pixels.astype(float), source.noise_adu, source.fwhm_px) / source.noise_adu
    hot, hotter = int((over > 10).sum()), int((over > 40).sum())
    return np.array([np.log10(hot / pixels.size + 1e-6), (hotter + 0.5) / (hot + 1)])
