"""Small JPEG pictures of frames, for pages that show hundreds of them.

small_jpeg(image)             # as `picture` draws it beside the whole one
shrunk(picture).thumbnail     # small, whether or not that was drawn
"""

import io
from dataclasses import replace

from PIL import Image, UnidentifiedImageError

from classifier.results import Picture

SMALL_PX, SMALL_QUALITY = 320, 70


def jpeg(image: Image.Image, quality: int) -> bytes:
    """A grey picture as JPEG bytes."""
    stream = io.BytesIO()
    image.save(stream, "JPEG", quality=quality)
    return stream.getvalue()


def small_jpeg(image: Image.Image) -> bytes:
    """A grey picture at a half, a third ... of its size, at most `SMALL_PX` a side."""
    return jpeg(image.reduce(-(-max(image.size) // SMALL_PX)), SMALL_QUALITY)


def shrunk(picture: Picture) -> Picture:
    """The same with its small thumbnail in the place of the whole one; drawn from that where a page
    that was read back has only one. Empty if that cannot be read."""
    return replace(picture, thumbnail=picture.small or _redrawn(picture.thumbnail), small=b"")


def _redrawn(content: bytes) -> bytes:
    try:
        image: Image.Image = Image.open(io.BytesIO(content))
        image.draft("L", (SMALL_PX, SMALL_PX))  # decodes at a half or a quarter: much sooner
        return small_jpeg(image.convert("L"))
    except (UnidentifiedImageError, OSError):
        return b""
