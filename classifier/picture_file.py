"""Reading TIFF through tifffile, and as a courtesy PNG, JPEG and BMP through Pillow.

Pictures of 8 bits are as a rule stretched, not linear; they are read, and a note says so.
Sixteen-bit colour PNG comes through Pillow with 8 bits a colour.
"""

import logging
import warnings
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from classifier.errors import FrameError
from classifier.exif import facts_from_exif
from classifier.reading import Reading

EIGHT_BIT_NOTE = "an 8-bit picture: its levels are seldom linear, so measures of light are rough"
MINISWHITE = 0  # TIFF 6.0, PhotometricInterpretation


def read_tiff(path: Path) -> Reading:
    """The first picture of a TIFF file: 8 or 16-bit integers, or floats; 1, 3 or 4 samples."""
    import tifffile

    # tifffile reports oddities through logging, which would reach the terminal.
    logging.getLogger("tifffile").addFilter(lambda record: False)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with tifffile.TiffFile(path) as file:
            page: Any = file.pages[0]
            tags = {tag.name: tag.value for tag in page.tags.values()}
            exif = tags.get("ExifTag")
            facts = facts_from_exif({**tags, **(exif if isinstance(exif, dict) else {})})
            is_inverted = int(page.photometric) == MINISWHITE
            same = sum(1 for other in file.pages[1:] if other.shape == page.shape)
            try:
                stored = page.asarray()
            except ValueError as error:
                if "imagecodecs" not in str(error):
                    raise
                return _read_compressed_tiff(path, str(page.compression.name))
    if is_inverted and stored.dtype.kind == "u":
        stored = np.iinfo(stored.dtype).max - stored
    notes = (f"{same} more pictures of the TIFF file were not read",) if same else ()
    return _reading(stored, facts, notes)


def _read_compressed_tiff(path: Path, compression: str) -> Reading:
    """Pillow knows some compressions that tifffile alone does not, but no 16-bit colour."""
    try:
        return read_picture(path)
    except Exception as error:
        raise FrameError(
            f"The TIFF file is compressed in a way that cannot be read here ({compression}); save "
            "it uncompressed or with ZIP (deflate) compression."
        ) from error


def read_picture(path: Path) -> Reading:
    """PNG, JPEG, BMP (and what else Pillow reads): grey or colour, alpha left aside."""
    from PIL import ExifTags, Image

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # large pictures are expected here
        with Image.open(path) as opened:
            image: Image.Image = opened
            exif = image.getexif()
            numbered = {**exif, **exif.get_ifd(ExifTags.IFD.Exif)}
            names = {**ExifTags.TAGS, 34855: "ISOSpeedRatings"}
            facts = facts_from_exif({names.get(k, str(k)): v for k, v in numbered.items()})
            if image.mode in ("P", "PA", "CMYK", "YCbCr", "LAB", "HSV", "RGBX"):
                image = image.convert("RGB")
            elif image.mode in ("LA", "La", "1"):
                image = image.convert("L")
            stored = np.asarray(image)
    return _reading(stored, facts, ())


def _reading(stored: np.ndarray, facts: Any, notes: tuple[str, ...]) -> Reading:
    if stored.dtype.kind not in "iuf":
        raise FrameError(
            f"The picture holds values of type {stored.dtype}, not numbers of light; save it as "
            "16-bit TIFF or FITS."
        )
    if stored.ndim == 3 and stored.shape[2] in (2, 4):
        stored = stored[:, :, : stored.shape[2] - 1]  # alpha says nothing about light
    is_integer = stored.dtype.kind in "iu"
    bits = stored.dtype.itemsize * 8 if is_integer else None
    if bits == 8:
        notes = (EIGHT_BIT_NOTE, *notes)
    with np.errstate(over="ignore", invalid="ignore"):
        pixels = np.ascontiguousarray(stored, dtype=np.float32)
    return Reading(pixels, is_integer, replace(facts, bit_depth=bits), notes)
