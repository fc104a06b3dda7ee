"""One panel of the atlas: the whole frame and a close-up, stretched as a photographer would.

The stretch is an inverse hyperbolic sine about the sky (Lupton, Gunn and Szalay 1999, AJ 118,
1406): noise is seen, so are faint stars and slight shadows, and bright stars do not burn out at
once. Colour mosaics are shown in colour by averaging each 2 x 2 group of pixels.
"""

import base64
import io

import numpy as np
from PIL import Image

from classifier.vocabulary import fault
from synth.scene import Scene

THUMBNAIL_PX = 240
CLOSE_PX = 60  # native pixels shown in the close-up
CLOSE_SIDE_PX = 160


def stretched(picture: np.ndarray, top_sigma: float = 160.0) -> np.ndarray:
    """(H, W) or (H, W, 3) linear -> uint8; sky a dark grey, one sigma visible.

    Each colour is taken from its own sky, all are measured in the mean sigma. White lies
    `top_sigma` above the sky, the curve bends at four.
    """
    axes = (0, 1)
    sky = np.median(picture, axis=axes, keepdims=True)
    sigma = 1.4826 * np.median(np.abs(picture - sky), axis=axes).mean()
    lifted = np.arcsinh((picture - sky) / max(float(sigma), 1e-6) / 4.0)
    return (255 * np.clip(0.2 + 0.8 * lifted / np.arcsinh(top_sigma / 4.0), 0, 1)).astype(np.uint8)


def white_balance(pixels: np.ndarray, cfa: str | None) -> np.ndarray:
    """(3,) factors that make the stars of a mosaic white on the whole; ones for mono.

    Taken from the clean frame of a row and kept for the others, so that a fault may colour them.
    """
    if cfa is None:
        return np.ones(3)
    colours = in_colour(pixels, cfa)
    above = np.percentile(colours, 99.7, axis=(0, 1)) - np.median(colours, axis=(0, 1))
    return above[1] / np.maximum(above, 1e-6)


def whole_frame(pixels: np.ndarray, cfa: str | None, balance: np.ndarray) -> Image.Image:
    """The frame shrunk by averaging; a mosaic becomes colour, its colours times `balance`."""
    if cfa is not None:
        pixels = in_colour(pixels, cfa) * balance
    step = max(1, pixels.shape[1] // THUMBNAIL_PX)
    height, width = (side // step * step for side in pixels.shape[:2])
    blocks = pixels[:height, :width].reshape(height // step, step, width // step, step, -1)
    small = blocks.mean((1, 3))
    return Image.fromarray(stretched(small if small.shape[2] == 3 else small[..., 0]))


def in_colour(pixels: np.ndarray, cfa: str) -> np.ndarray:
    """(H, W) mosaic -> (H/2, W/2, 3), every 2 x 2 group one pixel."""
    height, width = (side // 2 * 2 for side in pixels.shape)
    places: dict[str, list[np.ndarray]] = {}
    for i, colour in enumerate(cfa):
        places.setdefault(colour, []).append(pixels[i // 2 : height : 2, i % 2 : width : 2])
    return np.stack([np.mean(places[colour], axis=0) for colour in "RGB"], -1)


def close_up(pixels: np.ndarray, x_px: float, y_px: float, side_px: int = CLOSE_PX) -> Image.Image:
    """Native pixels about a place, enlarged without smoothing; a mosaic stays one. What is wider
    than the picture is shrunk by averaging."""
    half = side_px // 2
    x = int(np.clip(round(x_px), half, pixels.shape[1] - half))
    y = int(np.clip(round(y_px), half, pixels.shape[0] - half))
    part = pixels[y - half : y + half, x - half : x + half]
    sky = float(np.median(pixels))
    sigma = max(1.4826 * float(np.median(np.abs(pixels - sky))), 1e-6)
    top = max(60.0, float(part.max() - sky) / sigma)
    lifted = np.arcsinh((part - sky) / sigma / 4.0) / np.arcsinh(top / 4.0)
    grey = (255 * np.clip(0.2 + 0.8 * lifted, 0, 1)).astype(np.uint8)
    picture = Image.fromarray(grey)
    if side_px > CLOSE_SIDE_PX:
        return picture.resize((CLOSE_SIDE_PX, CLOSE_SIDE_PX), Image.Resampling.BOX)
    side = round(CLOSE_SIDE_PX / side_px) * side_px
    return picture.resize((side, side), Image.Resampling.NEAREST)


def place_of_interest(scene: Scene, key: str) -> tuple[float, float, int]:
    """Where the close-up of a fault looks, px, and how wide: its own place, or the middle star."""
    star = np.hypot(
        scene.stars.x_px - 0.47 * scene.width_px, scene.stars.y_px - 0.52 * scene.height_px
    ).argmin()
    x, y = float(scene.stars.x_px[star]), float(scene.stars.y_px[star])
    if key == "dust_motes" and scene.dust is not None:
        mote = scene.dust.motes[0]
        return mote.x_px, mote.y_px, _even(2.6 * mote.outer_px, scene)
    if key == "reflection" and scene.reflection is not None:
        ghost = scene.reflection.ghosts[0]
        return ghost.x_px, ghost.y_px, _even(2.4 * ghost.outer_px, scene)
    if key == "trail" and scene.trails:
        trail = scene.trails[0]
        return _on_line(trail.x0_px, trail.y0_px, trail.x1_px, trail.y1_px, scene)
    if key == "diffraction_spikes" and scene.bars:
        star = int(scene.stars.flux_e.argmax())
        return float(scene.stars.x_px[star]), float(scene.stars.y_px[star]), _even(150, scene)
    return x, y, CLOSE_PX


def _even(side: float, scene: Scene) -> int:
    largest = min(scene.width_px, scene.height_px) // 2
    return int(np.clip(side, CLOSE_PX, largest)) // 2 * 2


def _on_line(x0: float, y0: float, x1: float, y1: float, scene: Scene) -> tuple[float, float, int]:
    """The point of the line nearest to the frame's middle."""
    dx, dy = x1 - x0, y1 - y0
    along = ((0.5 * scene.width_px - x0) * dx + (0.5 * scene.height_px - y0) * dy) / max(
        dx * dx + dy * dy, 1e-9
    )
    along = float(np.clip(along, 0, 1))
    return x0 + along * dx, y0 + along * dy, CLOSE_PX


def data_uri(picture: Image.Image) -> str:
    """The picture as it can stand in a page."""
    stream = io.BytesIO()
    picture.save(stream, "JPEG", quality=80, optimize=True)
    return "data:image/jpeg;base64," + base64.b64encode(stream.getvalue()).decode("ascii")


def verdict(key: str, strength: float) -> str:
    """What the truth says of a strength: clean, between, or counts."""
    if not np.isfinite(strength):
        return "hidden"
    target = fault(key).target(strength)
    return {0.0: "clean", 1.0: "counts"}.get(target, "between")
