"""Straight trails: the line search on a star-suppressed picture, and a look at what it found.

A real trail is bright along most of its length and dark on both sides. A roof, the edge of a
mask or a bright galaxy is not, however significant the sum along a line may be. Along the pixel
grid, where the search is blind, `grid_lines` looks, and `pixel_lines` knows bad columns.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import torch
from numpy.lib.stride_tricks import sliding_window_view

from classifier.background import SkyPicture
from classifier.bilinear import between
from classifier.detection import binned
from classifier.grid_lines import grid_lines
from classifier.line_fit import FinePicture, fit_line
from classifier.line_light import line_snr
from classifier.lines import LOCAL_CELLS, inner_part, line_search, prepare
from classifier.pixel_lines import DEFECT, TRAIL, UNCLEAR, Sensor, line_kind
from classifier.short_trails import Piece, short_trails
from classifier.star_cover import Grid, star_cover
from classifier.sweeps import block_ranks, lower_median, median, medians

Array = np.ndarray

LINE_PX = 512
SEGMENTS = 8
MAX_TRAILS = 3
REACH_PX = 24
DEFECT_CELLS = 1.5
ALONG_GRID = 2.5  # cells that a line leaves its column or row by, at most
SURELY_LIT = 0.85  # of a line that was none until it was fitted: chains of stars reach 0.75
# Of 1,000 rendered files without a trail the measure found one in 26, none of them so bright,
# slender (in widths) and askew (as a share of its length); of 53 that a model overlooked, six.
BRIGHT, PLAINLY_SLENDER, ASKEW = 15.0, 12.0, 0.05
WORTH_FITTING = 5.8  # the best line of noise alone has 4 to 6


@dataclass(frozen=True)
class Trail:
    """ends: x0, y0, x1, y1 in frame pixels. snr: of its light by a matched filter along it, or
    of the search, whichever is more. lit: share of its length that is bright. one_sided:
    difference of the two sides, or their mean above the sky if that is more, over the line's
    height above them. width_px: full width at half height. widest_px: of a trail through these
    optics. along_grid: lies on a pixel column or row and may be the sensor's."""

    ends: tuple[float, float, float, float]
    snr: float
    lit: float
    one_sided: float
    width_px: float
    widest_px: float
    along_grid: bool

    @property
    def is_line(self) -> bool:
        length = np.hypot(self.ends[2] - self.ends[0], self.ends[3] - self.ends[1])
        thin = self.width_px < min(length / 8, self.widest_px)
        return self.lit >= 0.7 and self.one_sided < 0.3 and thin and not self.along_grid

    @property
    def is_unmistakable(self) -> bool:
        """Whether it is bright and unbroken, too slender for stars drawn out or run together, and
        askew to the pixels: nothing but a trail looks so, whatever a model says."""
        x0, y0, x1, y1 = self.ends
        length = math.hypot(x1 - x0, y1 - y0)
        is_slender = length >= PLAINLY_SLENDER * self.width_px
        is_askew = min(abs(x1 - x0), abs(y1 - y0)) >= ASKEW * length
        return bool(
            self.is_line and self.lit >= 1 and self.snr >= BRIGHT and is_slender and is_askew
        )


def find_trails(
    picture: SkyPicture,
    surface: Array,
    threshold: float,
    stars: Array,
    fwhm_px: float,
    sensor: Sensor,
) -> list[Trail]:
    """Best line of the frame, and further ones while they are trails above `threshold`; then
    those along the pixel grid.

    surface: (h, w) the smooth sky of the picture; what stands above it more widely than a trail
    is covered. stars: as `find_stars` gives them, of width fwhm_px; round ones are covered.
    """
    calm, fine, step = _calm(picture)
    # Clipped stars still widen the noise of all sums. Long objects may be pieces of the trail.
    grid = Grid(calm.shape, step, picture.x0, picture.y0)
    fwhm = fwhm_px if np.isfinite(fwhm_px) else 4.0
    covered = star_cover(grid, stars[~stars["long"]], fwhm, sensor.noise_adu)
    covered |= _extended(picture, surface, calm.shape)
    # Stars that touch a trail make a knot of it, and what covers stars cuts it up: try both.
    short = _pieces(calm)
    calm[covered] = 0.0
    short = short or _pieces(calm)
    trails: list[Trail] = []
    if min(calm.shape) < 48:
        return trails
    fine_picture = FinePicture(fine, covered, step // picture.mean_step_px)
    view = _View(calm, picture, step, fwhm, fine_picture, sensor)
    pieces = view.pieces(short, threshold)  # while no line is erased
    for _ in range(MAX_TRAILS):
        found, searched = _best_line(calm)
        trail, ends = view.judged(found, searched)
        if trail is not None:
            trails.append(trail)
            if trail.snr < threshold:
                break
        for line in (found, ends):
            _erase(calm, line, 6.5 + (0.0 if trail is None else trail.width_px / step))
    for found, _ in grid_lines(calm, WORTH_FITTING):
        if len(trails) >= MAX_TRAILS:
            break
        trail, ends = view.judged(found, 0.0)
        if trail is None:  # covered up, so that it does not make its surroundings uneven
            _erase(calm, ends, DEFECT_CELLS, 0.0)
        elif trail.snr >= threshold and trail.is_line and trail.lit >= SURELY_LIT:
            trails.append(trail)
    # A bright short trail lights a part of some line across the whole frame as well.
    drawn_out = [any(_is_drawn_out(t, piece, snr, step) for piece, snr in pieces) for t in trails]
    trails = [trail for trail, is_more in zip(trails, drawn_out, strict=True) if not is_more]
    if any(drawn_out) or not any(trail.is_line and trail.snr >= threshold for trail in trails):
        trails += [piece for piece, _ in pieces]
    return sorted(trails, key=lambda trail: (trail.is_line, trail.snr), reverse=True)


@dataclass(frozen=True)
class _View:
    """What found lines are looked at in. calm: (h, w) cells of `step` frame pixels a side, in
    which erased lines are gone; fine: the same in more detail."""

    calm: Array
    picture: SkyPicture
    step: int
    fwhm_px: float
    fine: FinePicture
    sensor: Sensor

    def judged(self, found: Array, searched: float) -> tuple[Trail | None, Array]:
        """A line in cells as a trail, None if it is the sensor's; and its ends in cells.

        searched: its S/N as a search has it.
        """
        along_grid = bool(np.abs(found[2:] - found[:2]).min() < 2 * ALONG_GRID)
        if along_grid:
            searched = 0.0  # a column that is dark for the most part leaves the rest of it bright
            if self._kind(found) == DEFECT:
                return None, found
        trail, ends = self._trail(found)
        snr = max(searched, line_snr(self.calm, found), line_snr(self.calm, ends))
        if snr >= WORTH_FITTING:
            section = max(0.7, self.fwhm_px / 2.355 / self.picture.mean_step_px)
            fitted = fit_line(self.fine, self.fine.from_cells(found), section)
            closer, fitted = self._trail(self.fine.to_cells(fitted), moves=False)
            # Cut down to its brightest part every line of chance would count for more.
            snr = max(snr, line_snr(self.calm, _reaching(fitted, found)))
            if closer.is_line and (trail.is_line or closer.lit >= SURELY_LIT):
                trail, ends = closer, fitted
        kind = ""
        if trail.is_line and np.abs(ends[2:] - ends[:2]).min() < 2 * ALONG_GRID:
            kind = self._kind(ends)
        if kind == DEFECT:
            return None, ends
        return replace(trail, snr=snr, along_grid=kind == UNCLEAR), ends

    def pieces(
        self, short: list[tuple[Piece, float]], threshold: float
    ) -> list[tuple[Trail, float]]:
        """Short trails that reach the threshold and are not the sensor's, and the S/N that each has
        as a long line has it. short: as `_pieces`."""
        trails = []
        for piece, one_sided in short:
            ends = tuple(self._in_frame(piece.ends).tolist())
            width, widest = piece.width * self.step, 3 * self.fwhm_px + 2 * self.step
            upright = np.abs(piece.ends[2:] - piece.ends[:2]).min() < 2 * ALONG_GRID
            if piece.snr < threshold or (upright and self._kind(piece.ends) != TRAIL):
                continue
            trail = Trail(ends, piece.snr, 1.0, one_sided, width, widest, False)
            trails.append((trail, line_snr(self.calm, piece.ends)))
        return trails

    def _kind(self, line: Array) -> str:
        return line_kind(self.sensor, self._in_frame(line), self.fwhm_px)

    def _trail(self, line: Array, moves: bool = True) -> tuple[Trail, Array]:
        lit, one_sided, width, offset = _look(self.calm, line)
        ends = _moved(line, offset) if moves else line
        x0, y0, x1, y1 = self._in_frame(ends).tolist()
        widest = 3 * self.fwhm_px + 2 * self.step
        return (
            Trail((x0, y0, x1, y1), 0.0, lit, one_sided, width * self.step, widest, False),
            ends,
        )

    def _in_frame(self, ends: Array) -> Array:
        corner = np.array([self.picture.x0, self.picture.y0] * 2)
        return (np.asarray(ends, float) + 0.5) * self.step - 0.5 + corner


def _is_drawn_out(line: Trail, piece: Trail, piece_snr: float, step: int) -> bool:
    """Whether a line is a short trail on it and no more: with its other parts its S/N is less."""
    x0, y0, x1, y1 = line.ends
    length = max(float(np.hypot(x1 - x0, y1 - y0)), 1.0)
    ends = np.reshape(piece.ends, (2, 2))
    off = np.abs((ends[:, 0] - x0) * (y1 - y0) - (ends[:, 1] - y0) * (x1 - x0)) / length
    return piece_snr > line.snr and bool(off.max() < 3 * step + piece.width_px / 2)


def _reaching(line: Array, other: Array) -> Array:
    """The line, made long enough to reach as far as the other."""
    step = line[2:] - line[:2]
    length2 = max(float(step @ step), 1e-9)
    at = [0.0, 1.0, *(float((other[k : k + 2] - line[:2]) @ step) / length2 for k in (0, 2))]
    return np.concatenate((line[:2] + min(at) * step, line[:2] + max(at) * step))


def _best_line(work: Array) -> tuple[Array, float]:
    """x0, y0, x1, y1 of the line that the search finds the most significant, and its S/N."""
    rows, columns = inner_part(*work.shape)
    calm = prepare(torch.from_numpy(work)[None], width=LOCAL_CELLS)
    result = line_search(calm[:, rows, columns])
    stage = int(result.snr[0].argmax())
    ends = result.ends[0, stage].numpy() + np.array([columns.start, rows.start] * 2)
    return ends, float(result.snr[0, stage])


def _calm(picture: SkyPicture) -> tuple[Array, Array, int]:
    """Picture of at most some 512 px in units of its noise, stars clipped before binning; the same
    before binning; and the frame pixels to a side of its cells."""
    mean = picture.mean
    # The sky under a trail must not follow the trail: medians of 24 px, joined smoothly; every
    # fifth row of a block is asked, about its middle, so that a slope does not shift them.
    block = max(8, min(24, min(mean.shape) // 6))
    high, wide = mean.shape[0] // block, mean.shape[1] // block
    cut = mean[: high * block, : wide * block].reshape(high, block, wide, block)[:, 2::5]
    coarse = lower_median(cut.swapaxes(1, 2).reshape(high, wide, -1))
    down, across = _between(high, mean.shape[0], block), _between(wide, mean.shape[1], block)
    rest = np.empty_like(mean)
    grid = coarse @ across.T
    for top in range(0, len(mean), block):
        near = slice(max(0, top // block - 1), top // block + 2)  # no other block has weight here
        part = slice(top, top + block)
        np.subtract(mean[part], down[part, near] @ grid[near], out=rest[part])
    some = np.abs(rest.ravel()[:: 1 + rest.size // 50_000])
    noise = max(1.4826 * float(lower_median(some)), 1e-9)
    rest /= np.float32(noise)
    clipped = np.clip(rest, -4.0, 4.0, out=rest)
    # A line one pixel wide sums little of a trail that is as wide as the stars: bin at least
    # two by two where the frame is large enough.
    # Of up to 4 % more than 512 the search takes the inner 512; beyond, it would take 1024 rows.
    step = max(1, math.ceil(max(clipped.shape) / (1.04 * LINE_PX)))
    if step * picture.mean_step_px < 2 and min(clipped.shape) >= 150:
        step = 2
    small = np.ascontiguousarray(binned(clipped, step))
    return small, clipped, step * picture.mean_step_px


def _extended(picture: SkyPicture, surface: Array, shape: tuple[int, ...]) -> Array:
    """(h, w) bool on the grid of the line picture: under nebulae, galaxies and haloes.

    Medians of 3 x 3 cells, then of 5 x 5 of these: a trail narrower than seven cells is gone.
    """
    flat = picture.level - surface
    high, wide = flat.shape[0] // 3, flat.shape[1] // 3
    _, coarse, _ = block_ranks(flat[: high * 3, : wide * 3], 3)
    around = sliding_window_view(np.pad(coarse, 2, mode="symmetric"), (5, 5))
    calm = lower_median(around.reshape(high, wide, 25))
    limit = max(5 * 1.4826 * median(np.abs(calm)), picture.noise_adu)
    rows = (np.arange(shape[0]) * high // shape[0]).clip(0, high - 1)
    columns = (np.arange(shape[1]) * wide // shape[1]).clip(0, wide - 1)
    wide_light = calm > limit
    grown = wide_light.copy()
    grown[1:] |= wide_light[:-1]
    grown[:-1] |= wide_light[1:]
    grown[:, 1:] |= wide_light[:, :-1]
    grown[:, :-1] |= wide_light[:, 1:]
    return grown[rows].take(columns, axis=1)


def _between(count: int, side: int, block: int) -> Array:
    """(side, count) float32 weights that join the values of `count` blocks linearly."""
    places = ((np.arange(side) + 0.5) / block - 0.5).clip(0, count - 1)
    away = np.abs(places[:, None] - np.arange(count))
    return np.maximum(1 - away, 0).astype(np.float32)


def _look(calm: Array, ends: Array) -> tuple[float, float, float, float]:
    """Share of the length that is lit, difference of the two sides, width at half height, and
    how far to the side of the found line its crest lies."""
    strip = _strip(calm, ends)
    nothing = 0.0, 1.0, 0.0, 0.0
    if strip is None:
        return nothing
    across = medians(strip, axis=0)
    middle = REACH_PX
    # A wide trail is found anywhere on its flat top: start from the brightest place near.
    crest = middle - 5 + int(across[middle - 5 : middle + 6].argmax())
    base = float(np.percentile(across, 25))
    half = base + 0.5 * (across[crest] - base)
    below = np.nonzero(across < half)[0]
    left = int(below[below < crest][-1]) if (below < crest).any() else 0
    right = int(below[below > crest][0]) if (below > crest).any() else len(across) - 1
    gap = 1 + (right - left) // 2
    first = across[max(0, left - gap - 6) : max(1, left - gap)]
    second = across[min(len(across) - 1, right + gap) : right + gap + 6]
    sides = 0.5 * (float(first.mean()) + float(second.mean()))
    core = strip[:, left + 1 : max(right, left + 2)].mean(1) - sides
    parts = core[: len(core) // SEGMENTS * SEGMENTS].reshape(SEGMENTS, -1).mean(1)
    height = median(parts)
    if height <= 0:
        return nothing
    one_sided = max(
        abs(float(first.mean() - second.mean())), float(first.mean() + second.mean()) / 2
    )
    one_sided /= height
    lit = float((parts > 0.3 * height).mean())
    return lit, one_sided, float(right - left - 1), 0.5 * (left + right) - middle


def _pieces(calm: Array) -> list[tuple[Piece, float]]:
    """Short trails, and how one-sided the sky beside each is: as `Trail.one_sided`."""
    found = short_trails(calm)
    if len(found) == 2 and found[0].is_beside(found[1]):
        return [(piece, 0.0) for piece in found]  # the two lights of an aircraft
    return [(piece, _one_sided(calm, piece)) for piece in found]


def _one_sided(calm: Array, piece: Piece) -> float:
    """The rim of a ghost has the ghost on one side of it."""
    x0, y0, x1, y1 = piece.ends
    along = np.linspace(0.0, 1.0, max(2, round(piece.length)))
    normal = np.array([y0 - y1, x1 - x0]) / max(np.hypot(x1 - x0, y1 - y0), 1e-9)
    aside = np.array([-2.0, -1.0, 0.0, 1.0, 2.0]) * (piece.width / 2 + 1.5)
    x = (x0 + along * (x1 - x0))[:, None] + aside * normal[0]
    y = (y0 + along * (y1 - y0))[:, None] + aside * normal[1]
    high, wide = calm.shape
    light = np.median(between(calm, y.clip(0, high - 1), x.clip(0, wide - 1)), axis=0)
    first, second = light[:2].mean(), light[3:].mean()
    height = max(float(light[2] - (first + second) / 2), 1e-9)
    return max(abs(float(first - second)), float(first + second) / 2) / height


def _strip(calm: Array, ends: Array) -> Array | None:
    """(n, 2 REACH_PX + 1) the picture along a line and to both sides of it, where the line lies
    in the picture."""
    x0, y0, x1, y1 = (float(v) for v in ends)
    length = max(np.hypot(x1 - x0, y1 - y0), 1.0)
    t = (np.arange(round(length)) + 0.5) / round(length)
    nx, ny = -(y1 - y0) / length, (x1 - x0) / length
    offsets = np.arange(-REACH_PX, REACH_PX + 1)
    x = x0 + t[:, None] * (x1 - x0) + offsets[None] * nx
    y = y0 + t[:, None] * (y1 - y0) + offsets[None] * ny
    inside = (x >= 0) & (x <= calm.shape[1] - 1) & (y >= 0) & (y <= calm.shape[0] - 1)
    whole = inside[:, REACH_PX - 5 : REACH_PX + 6].all(1)
    if whole.sum() < 2 * SEGMENTS:
        return None
    return between(calm, y[whole], x[whole])


def _moved(ends: Array, offset: float) -> Array:
    """The line moved sideways by `offset`, along the normal that `_strip` uses."""
    x0, y0, x1, y1 = (float(v) for v in ends)
    length = max(np.hypot(x1 - x0, y1 - y0), 1.0)
    nx, ny = -(y1 - y0) / length * offset, (x1 - x0) / length * offset
    return np.array([x0 + nx, y0 + ny, x1 + nx, y1 + ny])


def _erase(calm: Array, ends: Array, half_width: float, level: float | None = None) -> None:
    """Set a band along the whole line through the ends to a level, else the median, in place."""
    rows, columns = np.indices(calm.shape)
    x0, y0, x1, y1 = (float(v) for v in ends)
    length = max(np.hypot(x1 - x0, y1 - y0), 1.0)
    off = np.abs((columns - x0) * (y1 - y0) - (rows - y0) * (x1 - x0)) / length
    calm[off <= half_width] = median(calm) if level is None else level
