"""Detection with sep: which pixels of a window belong to stars, at native sampling or binned.

Hot pixels are told from stars by the eight pixels round the peak. Wide rings of defocused stars,
which fall to pieces at native sampling, are found in binned windows.
"""

import numpy as np
import sep
from scipy.spatial import cKDTree

from classifier.background import Background, Window
from classifier.frame_overview import block_means
from classifier.sweeps import median, places

Array = np.ndarray

DETECT_SIGMA = 5.0
_KERNEL = np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]], np.float32)
# Beyond this many detections in one window they are no longer stars but structure; the
# threshold is raised until they fit.
MAX_OBJECTS = 20_000
WHOLE = 0.6  # share of its light that a star which has not fallen to pieces has in one
# A piece with so much of the light that is so small beside the whole is a star among others: the
# quarter of a ring is nearly half as large as the ring.
POINT_SHARE, POINT_SIZE = 0.25, 0.3
USUAL = 50  # brightest detections that tell how wide stars are, a dozen knots of nebulae or not

sep.set_sub_object_limit(4096)


def saturation_level(background: Background, known_adu: float | None) -> float:
    """Level in ADU from which a pixel is taken as saturated."""
    tops = [float(window.raw.max()) for window in background.windows]
    highest = max(tops)
    if known_adu is not None:
        return min(0.95 * known_adu, 0.98 * highest) if highest >= 0.98 * known_adu else known_adu
    # A star's peak is one or two pixels; several together that differ by less than the noise of
    # their own light are cut off. The flat top of a defocused star keeps its noise.
    for window, own in zip(background.windows, tops, strict=True):
        if own < 0.98 * highest:
            continue
        rows, columns = places(window.raw >= 0.98 * highest)
        if 4 <= len(rows) < 100_000:
            at = np.stack((rows, columns), 1)
            near = cKDTree(at).query_ball_point(at, 1.5, return_length=True) >= 4
            top = window.raw[rows[near], columns[near]]
            if top.size and np.median(highest - top) < background.noise_adu:
                return 0.97 * highest
    return np.inf


def detect(window: Window, mosaic: bool, bin_px: int) -> Array:
    """sep objects of one window, in pixels of its binned light."""
    light, noise = binned(window.light, bin_px), window.noise_adu / bin_px
    if bin_px > 1:
        spread = 1.4826 * median(np.abs(light - median(light)))
        noise = max(noise, spread)
    threshold = DETECT_SIGMA
    kernel = None if mosaic and bin_px == 1 else _KERNEL
    # Every call allocates this many entries, which costs more time than a small window itself: few
    # are tried first, enough for all pixels of a window only where they do not suffice.
    room = 30_000
    sep.set_extract_pixstack(room)
    for _ in range(7):
        try:
            objects = sep.extract(
                light,
                threshold,
                err=noise,
                minarea=5 if mosaic and bin_px == 1 else 3,
                filter_kernel=kernel,
                deblend_nthresh=8,
                deblend_cont=0.01 if bin_px == 1 else 1.0,  # wide rings are not to fall to pieces
            )
            if len(objects) <= MAX_OBJECTS:
                return objects[_is_star(objects, light, noise)]
        except Exception as error:  # sep raises bare Exception when its buffers are full
            if "pixel buffer" not in str(error) and "object" not in str(error):
                raise
            if "pixel buffer" in str(error) and room < light.size:
                room = int(np.clip(light.size, room, 400_000))
                sep.set_extract_pixstack(room)
                continue
        threshold *= 2
    return objects[:0]


def _is_star(objects: Array, light: Array, noise: float) -> Array:
    """Whether the eight pixels round the peak share its light, as no single hot pixel does."""
    height, width = light.shape
    x, y = objects["xpeak"], objects["ypeak"]
    inner = (x > 0) & (y > 0) & (x < width - 1) & (y < height - 1)
    x, y = np.clip(x, 1, width - 2), np.clip(y, 1, height - 2)
    peak = light[y, x]
    around = sum(light[y + dy, x + dx] for dy in (-1, 0, 1) for dx in (-1, 0, 1)) - peak
    mean = around / 8
    # FWHM 1.2 px still gives a mean of 15 % of the peak; the noise of that mean is sigma/sqrt 8.
    return inner & (mean > np.maximum(0.07 * peak, 3 * noise / 8**0.5))


def binned(picture: Array, factor: int) -> Array:
    """Block means; rows and columns that do not fill a block are left out."""
    if factor == 1:
        return picture
    return block_means(picture, factor)


def coarseness(background: Background, native: list[Array]) -> int:
    """1 for stars as they should be; 2, 4 or 8 where they are discs that fall to pieces.

    The brightest objects of a picture binned 4 x 4 are looked at: of a star nearly all light is
    in one native detection, of a wide ring it is split among many, and so it is of a knot of
    stars, whose brightest is a point beside it. Where most are whole, their native detections
    tell how wide they are: binned ones have neighbours in them, and more of them in one sub than
    in the next. No more than the brightest native detections are: a dozen knots of a nebula are
    wide too, the stars between them are not.
    """
    shares, sizes, wholes = [], [], []
    pairs = list(zip(background.windows, native, strict=True))
    for window, pieces in pairs[::2]:  # of nine the corners and the middle
        if min(window.light.shape) < 64:
            continue
        whole = detect(window, background.mosaic, 4)
        whole = whole[np.argsort(-whole["flux"])[:12]]
        whole = whole[(whole["npix"] >= 12) & (whole["b"] > 0.5 * whole["a"])]
        if not len(whole):
            continue
        tree = cKDTree(np.c_[pieces["x"], pieces["y"]]) if len(pieces) else None
        for item in whole:
            centre = (4 * item["x"] + 1.5, 4 * item["y"] + 1.5)
            near = tree.query_ball_point(centre, 4 * 2.2 * item["a"]) if tree else []
            largest = max(near, key=lambda i: pieces["flux"][i], default=None)
            sizes.append(4 * float(item["a"]))
            if largest is None:
                shares.append(0.0)
                continue
            share = float(pieces["flux"][largest] / (16 * item["flux"]))
            wide = float(np.sqrt(pieces["a"][largest] * pieces["b"][largest]))
            if share > POINT_SHARE and wide < POINT_SIZE * sizes[-1]:
                share = 1.0
            shares.append(share)
            if share > WHOLE:
                wholes.append(wide)
    if len(shares) < 3:
        return 1
    is_whole = np.median(shares) > WHOLE
    size = float(np.median(sizes))
    if is_whole:
        size = min(float(np.median(wholes)), _usual_size(native))
    if size < (8 if is_whole else 6):
        return 1
    return 2 if size < 9 else 4 if size < 18 else 8


def _usual_size(native: list[Array]) -> float:
    """Gaussian sigma in px of the brightest detections, by their median."""
    found = np.concatenate(native)
    brightest = found[np.argsort(-found["flux"])[:USUAL]]
    return float(np.median(np.sqrt(brightest["a"] * brightest["b"])))
