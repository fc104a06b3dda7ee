"""The picture of a frame for people: a stretched thumbnail, and beside it a strip of its stars.

The thumbnail shows the whole frame, the first row of the file at the top. Its stretch is the
inverse hyperbolic sine round the sky (linear for what is as faint as the noise, logarithmic
above: Lupton, Gunn and Szalay 1999, AJ 118, 1406), because that is how a photographer looks for
clouds, gradients and dust. The strip, see `star_strip`, shows what a thumbnail cannot.
"""

import numpy as np
import torch
from PIL import Image

from classifier.evidence import YES
from classifier.frame_overview import Overview, block_means
from classifier.measures import FrameMeasures
from classifier.results import Picture
from classifier.star_strip import star_strip
from classifier.sweeps import asinh, median
from classifier.thumbnail import jpeg, small_jpeg
from classifier.views import Views

THUMBNAIL_PX = 640
JPEG_QUALITY = 82


def draw_picture(
    pixels: np.ndarray,
    views: Views,
    overview: Overview | None = None,
    measures: FrameMeasures | None = None,
) -> Picture:
    """(H, W) float32 ADU and the frame's views (batch of one) -> Picture. overview and measures: of
    the frame, if at hand."""
    height, width = pixels.shape
    shapes, told = None, []
    if measures is not None:
        shapes = measures.shapes
        told = [key for key, found in measures.evidence.items() if found.state == YES]
    strip, tiles = star_strip(views, width, height, shapes, told)
    whole, small = thumbnails(pixels, overview)
    return Picture(whole, strip, width, height, tiles, small)


def thumbnails(pixels: np.ndarray, overview: Overview | None = None) -> tuple[bytes, bytes]:
    """JPEG bytes of the whole frame, at most `THUMBNAIL_PX` a side, and of that at half of it."""
    grey = Image.fromarray((255 * stretch(shrink(pixels, overview))).astype(np.uint8))
    return jpeg(grey, JPEG_QUALITY), small_jpeg(grey)


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
