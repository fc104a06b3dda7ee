"""Small pictures of a frame for people: a stretched thumbnail and a strip of its stars.

The thumbnail shows the whole frame, the first row of the file at the top. Its stretch is the
inverse hyperbolic sine round the sky (linear for what is as faint as the noise, logarithmic
above: Lupton, Gunn and Szalay 1999, AJ 118, 1406), because that is how a photographer looks for
clouds, gradients and dust. The strip shows stars one by one, ordered by distance from the centre
of the field: what a thumbnail cannot show.
"""

import io

import numpy as np
import torch
from PIL import Image

from classifier.frame_overview import Overview, block_means
from classifier.results import Picture
from classifier.sweeps import asinh, median
from classifier.views import Views

THUMBNAIL_PX = 640
STRIP_STARS = 9
STAR_PX = 64
GAP_PX = 4
JPEG_QUALITY = 82


def draw_picture(pixels: np.ndarray, views: Views, overview: Overview | None = None) -> Picture:
    """(H, W) float32 ADU and the frame's views (batch of one) -> Picture. overview: of the frame,
    if at hand."""
    height, width = pixels.shape
    return Picture(thumbnail(pixels, overview), star_strip(views, width, height), width, height)


def thumbnail(pixels: np.ndarray, overview: Overview | None = None) -> bytes:
    """JPEG bytes of the whole frame, at most `THUMBNAIL_PX` a side."""
    small = shrink(pixels, overview)
    grey = Image.fromarray((255 * stretch(small)).astype(np.uint8))
    stream = io.BytesIO()
    grey.save(stream, "JPEG", quality=JPEG_QUALITY)
    return stream.getvalue()


def shrink(pixels: np.ndarray, overview: Overview | None = None) -> np.ndarray:
    """Average to at most `THUMBNAIL_PX` a side, by an even step so that a colour mosaic mixes."""
    step = -(-max(pixels.shape) // THUMBNAIL_PX)
    if step > 1:
        step += step % 2
        if overview is None:
            return block_means(pixels, step)
        height, width = pixels.shape
        return overview.means(pixels, step, (0, 0, width, height))
    return pixels


def stretch(picture: np.ndarray) -> np.ndarray:
    """Any finite 2-D picture -> float32 in [0, 1], its sky a dark grey.

    Black lies three robust deviations under the median, white at the 99.9th percentile; between,
    an inverse hyperbolic sine that bends at four deviations.
    """
    some = picture.ravel()[:: max(1, picture.size // 50_000) | 1]
    sky = median(some)
    spread = 1.4826 * median(np.abs(some - sky))
    white = float(np.percentile(some, 99.9)) - sky
    spread = max(spread, 1e-3 * abs(white), 1e-6)
    above = np.clip((picture - sky) / spread + 3.0, 0.0, None)
    top = np.arcsinh(max(white / spread + 3.0, 12.0) / 4.0)
    bent = asinh(torch.from_numpy(np.asarray(above / 4.0, np.float32))).numpy()
    return np.clip(bent / np.float32(top), 0.0, 1.0)


def star_strip(views: Views, width_px: int, height_px: int) -> bytes:
    """PNG bytes of some stars side by side, nearest to the centre first; empty without stars."""
    stars = views.sheet[0].float().numpy()
    x, y, _, saturated, valid = views.sheet_facts[0].float().numpy().T
    x_px, y_px, side_px = views.stars_px[0].float().numpy().T
    # Beyond the frame's edge a cut-out repeats the last pixels, which looks like a smear.
    room = np.minimum(np.minimum(x_px, width_px - x_px), np.minimum(y_px, height_px - y_px))
    usable = np.flatnonzero((valid > 0.5) & (room > side_px / 2))
    if len(usable) == 0:
        return b""
    # Saturated stars show little of their shape: only if there are not enough others.
    usable = usable[np.argsort(saturated[usable] > 0.5, kind="stable")]
    good = usable[: max(STRIP_STARS, int((saturated[usable] < 0.5).sum()))]
    by_distance = good[np.argsort(np.hypot(x[good], y[good]))]
    picks = by_distance[np.linspace(0, len(by_distance) - 1, STRIP_STARS).round().astype(int)]
    picks = picks[np.sort(np.unique(picks, return_index=True)[1])]
    strip = Image.new("L", (len(picks) * (STAR_PX + GAP_PX) - GAP_PX, STAR_PX), 0)
    for i, star in enumerate(picks):
        tile = Image.fromarray((255 * np.clip(stars[star], 0.0, 1.0)).astype(np.uint8))
        tile = tile.resize((STAR_PX, STAR_PX), Image.Resampling.NEAREST)
        strip.paste(tile, (i * (STAR_PX + GAP_PX), 0))
    stream = io.BytesIO()
    strip.save(stream, "PNG")
    return stream.getvalue()
