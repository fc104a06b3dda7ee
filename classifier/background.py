"""Sky level and noise of a frame: native windows for the stars, one small picture for the sky.

Frames up to 3 Mpx are measured whole. Of larger ones nine windows of native sampling, spread
over the field, show the stars (`windows`), and a picture of some 400 px made from all pixels
shows the sky (`sky_picture`). On colour mosaics both work on a luminance in which the mosaic
cancels exactly for a flat sky of any colour.

Levels are in ADU as stored; nothing here subtracts the camera's offset.
"""

from dataclasses import dataclass

import numpy as np
import sep

from classifier.frame_overview import Overview, block_means
from classifier.pixel_defects import hot_mask, is_mosaic, pixel_noise, without_hot
from classifier.sweeps import block_ranks, lower_median, median

Array = np.ndarray

WHOLE_PX = 3_200_000
WINDOW_PX = 512
MESH_PX = 64
PICTURE_PX = 400
PROFILE_LINES = 65  # rows and columns of which the profiles across the frame are made
USUAL_STEPS = 0.98  # of a profile's steps inside the frame
# The 3 x 3 binomial filter adds this to the variance of every star along each axis, in px^2.
BINOMIAL_VARIANCE = 0.5
BINOMIAL_NOISE = 3 / 8  # and lowers white noise to this


@dataclass(frozen=True)
class Window:
    """A part of the frame at native sampling, lower corner (x0, y0).

    light: (h, w) float32, luminance minus the sky, hot pixels taken out. raw: the same pixels
    as stored. noise_adu: standard deviation of `light` on empty sky. hot: (h, w) bool.
    """

    x0: int
    y0: int
    raw: Array
    light: Array
    noise_adu: float
    hot: Array


@dataclass(frozen=True)
class SkyPicture:
    """The sky of the whole frame, stars mostly taken out by block medians.

    level: (h, w) float32 ADU, one cell for step_px x step_px frame pixels, the first cell
    beginning at frame pixel (x0, y0). valid: (h, w) bool, false on blank fill. mean: (h', w')
    block averages before the median, of mean_step_px pixels, stars still in.
    noise_adu: of one cell of `level`, from neighbouring cells.
    """

    level: Array
    valid: Array
    step_px: int
    mean: Array
    mean_step_px: int
    x0: int
    y0: int
    noise_adu: float

    def to_frame(self, column: float, row: float) -> tuple[float, float]:
        """Centre of a cell (fractions allowed) -> frame pixel coordinates."""
        half = (self.step_px - 1) / 2
        return self.x0 + column * self.step_px + half, self.y0 + row * self.step_px + half


@dataclass(frozen=True)
class Background:
    """Sky and noise of a frame. level_adu: median sky. noise_adu: of one raw pixel."""

    level_adu: float
    noise_adu: float
    mosaic: bool
    lit: tuple[int, int, int, int]  # x0, y0, x1, y1 without overscan strips, end excluded
    windows: tuple[Window, ...]
    picture: SkyPicture
    hot_share: float  # of the pixels looked at

    @property
    def sampled_share(self) -> float:
        """Share of the lit area that the windows cover."""
        x0, y0, x1, y1 = self.lit
        return sum(w.raw.size for w in self.windows) / ((x1 - x0) * (y1 - y0))


def measure_background(
    pixels: Array, bayer: str | None = None, overview: Overview | None = None
) -> Background:
    """Sky, noise and windows of a frame.

    pixels: (H, W) float32, finite, at least 16 x 16. bayer: colour order at [0, 0], None for
    monochrome or unknown; a mosaic that no header tells of is recognised by its planes.
    overview: of the pixels, if at hand.
    """
    pixels = np.ascontiguousarray(pixels, np.float32)
    lit = lit_area(pixels)
    x0, y0, x1, y1 = lit
    inside = pixels[y0:y1, x0:x1]
    noise = pixel_noise(inside)
    mosaic = bool(bayer) or is_mosaic(inside, noise)
    picture = sky_picture(pixels, lit, mosaic, overview)
    windows = tuple(
        _window(pixels, left, top, right, bottom, noise, mosaic)
        for left, top, right, bottom in _boxes(lit)
    )
    hot = sum(int(np.count_nonzero(w.hot)) for w in windows)
    hot_share = hot / max(1, sum(w.hot.size for w in windows))
    level = median(picture.level[picture.valid])
    return Background(level, noise, mosaic, lit, windows, picture, hot_share)


def lit_area(pixels: Array) -> tuple[int, int, int, int]:
    """x0, y0, x1, y1 (end excluded) of the frame without overscan or blank strips at its edges.

    A strip is cut where the profile of column (row) medians makes a single step near the edge
    that is far larger than those inside, and stays beyond it.
    """
    height, width = pixels.shape
    rows = pixels[:: max(1, height // PROFILE_LINES)]
    columns = pixels[:, :: max(1, width // PROFILE_LINES)]
    left, right = _edges(lower_median(np.ascontiguousarray(rows.T)))
    top, bottom = _edges(lower_median(np.ascontiguousarray(columns)))
    # Even corners keep the phase of a colour mosaic.
    return left + left % 2, top + top % 2, right - right % 2, bottom - bottom % 2


def _edges(profile: Array) -> tuple[int, int]:
    """First index and end index of the part between overscan strips."""
    n = len(profile)
    reach = max(2, round(0.08 * n))
    if n < 40:
        return 0, n
    steps = np.abs(np.diff(profile))
    inside = steps[reach:-reach]
    # A bad column or a bright star makes a step or two that are no measure of the rest.
    limit = max(12 * median(inside), 2.5 * float(np.quantile(inside, USUAL_STEPS)), 1e-6)
    first = np.nonzero(steps[:reach] > limit)[0]
    last = np.nonzero(steps[-reach:] > limit)[0]
    return (int(first[-1]) + 1 if len(first) else 0), (n - reach + int(last[0]) if len(last) else n)


def luminance(raw: Array, mosaic: bool) -> Array:
    """The window itself, or on a mosaic its 3 x 3 binomial mean: R/4 + G/2 + B/4 everywhere."""
    if not mosaic:
        return raw
    wide = np.pad(raw, 1, mode="reflect")
    rows = wide[:-2] + 2 * wide[1:-1] + wide[2:]
    return (rows[:, :-2] + 2 * rows[:, 1:-1] + rows[:, 2:]) / np.float32(16)


def sky_picture(
    pixels: Array,
    lit: tuple[int, int, int, int],
    mosaic: bool,
    overview: Overview | None = None,
) -> SkyPicture:
    """Block means (stars averaged in), then medians of blocks of these (stars taken out)."""
    x0, y0, x1, y1 = lit
    inside = pixels[y0:y1, x0:x1]
    long_px = max(inside.shape)
    mean_step = max(1, round(long_px / (4 * PICTURE_PX)))
    if mosaic:
        mean_step = max(2, 2 * round(mean_step / 2))
    if overview is None:
        mean = block_means(inside, mean_step)
    else:
        mean = overview.means(pixels, mean_step, lit)
    block = int(np.clip(round(max(mean.shape) / PICTURE_PX), 3, 8))
    block = max(1, min(block, min(mean.shape) // 16))
    height, width = mean.shape[0] // block, mean.shape[1] // block
    lowest, level, highest = block_ranks(mean[: height * block, : width * block], block)
    # Blank fill repeats one value exactly over whole cells; real sky never does.
    valid = highest > lowest
    if valid.mean() < 0.2:
        valid = np.ones_like(valid)
    differences = np.abs(np.diff(level, axis=1))[valid[:, 1:] & valid[:, :-1]]
    noise = 1.4826 / 2**0.5 * median(differences) if differences.size else 0.0
    if noise == 0.0 and differences.size:
        noise = float(np.std(differences)) / 2**0.5
    return SkyPicture(level, valid, mean_step * block, mean, mean_step, x0, y0, noise)


def _boxes(lit: tuple[int, int, int, int]) -> list[tuple[int, int, int, int]]:
    """The whole lit area if it is small, else 3 x 3 windows from corner to corner."""
    x0, y0, x1, y1 = lit
    if (x1 - x0) * (y1 - y0) <= WHOLE_PX:
        return [lit]
    wide, high = min(WINDOW_PX, x1 - x0), min(WINDOW_PX, y1 - y0)
    lefts = x0 + np.linspace(0, x1 - x0 - wide, 3).astype(int) // 2 * 2
    tops = y0 + np.linspace(0, y1 - y0 - high, 3).astype(int) // 2 * 2
    boxes = {(int(x), int(y), int(x) + wide, int(y) + high) for y in tops for x in lefts}
    return sorted(boxes, key=lambda box: (box[1], box[0]))


def _window(
    pixels: Array, x0: int, y0: int, x1: int, y1: int, noise: float, mosaic: bool
) -> Window:
    raw = np.ascontiguousarray(pixels[y0:y1, x0:x1])
    hot = hot_mask(raw, noise, mosaic)
    light = luminance(without_hot(raw, hot, mosaic), mosaic)
    residual, spread = _without_sky(light)
    if not np.isfinite(spread) or spread <= 0:
        spread = max(float(np.std(residual)), 1e-6)
    # Nebulae and crowding widen the mesh's own spread; pixel differences do not see them, but
    # see too little where neighbouring pixels were smoothed together. The truth lies between.
    if noise > 0:
        spread = min(spread, 1.25 * noise * (BINOMIAL_NOISE if mosaic else 1.0))
    return Window(x0, y0, raw, residual, spread, hot)


def _without_sky(light: Array) -> tuple[Array, float]:
    """A window less its sky, and the spread about that, by sep, from meshes of some 64 px.

    Of large windows every second pixel of every second row is asked: a mesh still holds a
    thousand, and the sky does not change from a pixel to the next.
    """
    height, width = light.shape
    mesh = max(16, min(MESH_PX, min(height, width) // 4))
    if min(height, width) < 4 * MESH_PX:
        fitted = sep.Background(light, bw=mesh, bh=mesh)
        return light - fitted.back(dtype=np.float32), float(fitted.globalrms)
    thin = np.ascontiguousarray(light[::2, ::2])
    fitted = sep.Background(thin, bw=mesh // 2, bh=mesh // 2)
    sky = fitted.back(dtype=np.float32)
    wide = np.empty((len(sky), 2 * sky.shape[1]), np.float32)
    wide[:, 0::2] = wide[:, 1::2] = sky
    residual = np.empty_like(light)
    for row in (0, 1):  # of each pair, which lie over the same sky
        lines = light[row::2]
        np.subtract(lines, wide[: len(lines), :width], out=residual[row::2])
    return residual, float(fitted.globalrms)
