"""Reading camera raw files through rawpy: the sensor's visible area, its mosaic untouched.

Black level and white level become the facts `offset_adu` and `saturation_adu`; nothing is
subtracted or scaled.
"""

import logging
import warnings
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from classifier.errors import FrameError
from classifier.exif import facts_from_exif
from classifier.facts import Facts
from classifier.reading import Reading


def read_raw(path: Path) -> Reading:
    """The visible mosaic of a raw file; planes last where the sensor stores full colour."""
    import rawpy

    try:
        with rawpy.imread(str(path)) as raw:
            visible = raw.raw_image_visible
            pixels = np.ascontiguousarray(visible[..., :3] if visible.ndim == 3 else visible)
            pixels = pixels.astype(np.float32)
            bayer, notes = _mosaic(raw) if pixels.ndim == 2 else (None, ())
            white = int(raw.white_level or 0)
            facts = replace(
                _known_together(_exif(path), _from_libraw(raw)),
                bayer=bayer,
                offset_adu=float(np.mean(raw.black_level_per_channel)),
                saturation_adu=float(white) if white > 0 else None,
                bit_depth=white.bit_length() or None,
                binning=1,
            )
    except rawpy.LibRawError as error:
        told = error.args[0].decode() if isinstance(error.args[0], bytes) else str(error)
        raise FrameError(
            f"The camera raw file cannot be decoded ({told.strip()}); copy it again from the card, "
            "or convert it to DNG if the camera is newer than this program's raw library."
        ) from error
    return Reading(pixels, True, facts, notes)


def _mosaic(raw: Any) -> tuple[str | None, tuple[str, ...]]:
    """Colours at the visible area's origin, from LibRaw's pattern, which is counted from there."""
    pattern = raw.raw_pattern
    if pattern is None:
        return None, ()  # a monochrome sensor
    if pattern.shape != (2, 2):
        rows, columns = pattern.shape
        return None, (f"a mosaic of {rows} x {columns} cells is treated as a mono frame",)
    letters = raw.color_desc.decode("ascii", "replace")
    bayer = "".join(letters[index] for index in pattern.ravel())
    if sorted(bayer) != ["B", "G", "G", "R"]:
        return None, (f"a mosaic of the colours {bayer} is treated as a mono frame",)
    return bayer, ()


def _from_libraw(raw: Any) -> Facts:
    """What LibRaw knows of exposure and lens, where rawpy is new enough to pass it on."""
    other = getattr(raw, "other", None)
    if other is None:
        return Facts()
    return facts_from_exif(
        {
            "ExposureTime": other.shutter_speed,
            "FNumber": other.aperture,
            "FocalLength": other.focal_length,
            "ISOSpeedRatings": other.iso_speed,
        }
    )


def _exif(path: Path) -> Facts:
    """Exif of the raw formats that are TIFF inside; nothing for the others."""
    import tifffile

    logging.getLogger("tifffile").addFilter(lambda record: False)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with tifffile.TiffFile(path) as file:
                tags = {tag.name: tag.value for tag in file.pages[0].tags.values()}  # type: ignore
                exif = tags.get("ExifTag")
                return facts_from_exif({**tags, **(exif if isinstance(exif, dict) else {})})
    except Exception:  # not a TIFF inside, or a maker's own variant: the facts stay unknown
        return Facts()


def _known_together(first: Facts, second: Facts) -> Facts:
    missing = {
        field.name: getattr(second, field.name)
        for field in fields(Facts)
        if getattr(first, field.name) is None
    }
    return replace(first, **missing)
