"""Reading the picture of a FITS file: the primary array or the first image extension.

Plain, gzip, bzip2 and tile-compressed files; 8, 16, 32 and 64-bit integers with BZERO, BSCALE
and BLANK; 32 and 64-bit floats. The file is read whole and closed, never mapped: on Windows a
mapped file cannot be moved. FITS 4.0, sections 4.4.2.5 (BZERO, BSCALE, BLANK) and 10 (tiles).
"""

import warnings
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from classifier.errors import FrameError
from classifier.facts import facts_from_header
from classifier.frame_overview import Overview, band_rows, unfilled
from classifier.reading import Reading

# Rows of this many values are scaled at a time where the arithmetic needs 64 bits.
CHUNK_VALUES = 1 << 20
# BITPIX and how such values lie in the file, FITS 4.0 section 5.
PLAIN_TYPES = {
    bits: np.dtype(kind)
    for bits, kind in ((8, "u1"), (16, ">i2"), (32, ">i4"), (64, ">i8"), (-32, ">f4"), (-64, ">f8"))
}
BLOCK_BYTES = 2880


def read_fits(path: Path) -> Reading:
    """The picture and facts of a FITS file; FrameError or a library's own exception if damaged."""
    from astropy.io import fits

    # The file is opened here because astropy leaves it open where it cannot make sense of it.
    with warnings.catch_warnings(), path.open("rb") as file:
        warnings.simplefilter("ignore")
        try:
            opened = fits.open(file, memmap=False, do_not_scale_image_data=True)
        except OSError as error:
            if error.errno is not None:
                raise
            raise FrameError(_not_fits(path)) from error
        with opened:
            hdu = _first_picture(opened)
            _check_length(hdu, path)
            # The header is asked before the data: astropy rewrites it on reading them.
            shape = tuple(hdu.shape)
            primary = opened[0].header
            facts = facts_from_header(hdu.header, shape, None if primary is hdu.header else primary)
            scale, zero = hdu.header.get("BSCALE", 1.0), hdu.header.get("BZERO", 0.0)
            blank = hdu.header.get("BLANK", hdu.header.get("ZBLANK"))
            values = _factor(scale, 1.0), _factor(zero, 0.0), blank
            plain, overview = _plain_type(hdu, file), None
            if plain is not None:
                pixels, overview = _streamed(file, hdu.fileinfo()["datLoc"], shape, plain, values)
                is_integer = plain.kind in "iu"
            else:
                stored = hdu.data
                pixels = to_physical(stored, *values)
                is_integer = stored.dtype.kind in "iu"
            notes = _other_pictures(opened, hdu)
    return Reading(
        pixels=pixels,
        is_integer=is_integer,
        facts=facts,
        notes=notes,
        is_finite=is_integer and not _is_blank_level(blank),
        overview=overview,
    )


def _plain_type(hdu: Any, file: BinaryIO) -> np.dtype | None:
    """How values lie in the file, if they lie there as they are: not packed, not in tiles."""
    if type(hdu).__name__ not in ("PrimaryHDU", "ImageHDU") or hdu.fileinfo() is None:
        return None
    file.seek(0)
    if file.read(6) != b"SIMPLE":
        return None
    return PLAIN_TYPES.get(hdu.header.get("BITPIX"))


def _streamed(
    file: BinaryIO,
    start: int,
    shape: tuple[int, ...],
    plain: np.dtype,
    values: tuple[float, float, Any],
) -> tuple[np.ndarray, Overview | None]:
    """Pixels read and converted band by band, and the overview of a single plane: of the file's
    own values, some 50 MB of a large frame, no copy is ever whole in memory."""
    pixels = np.empty(shape, np.float32)
    lines = pixels.reshape(-1, shape[-1])
    overview = unfilled(*lines.shape) if lines.shape == shape[-2:] else None
    step = min(band_rows(shape[-1]), len(lines))
    memory = np.empty((step, shape[-1]), plain)
    file.seek(start)
    for top in range(0, len(lines), step):
        rows = lines[top : top + step]
        stored = memory[: len(rows)]
        if file.readinto(stored.reshape(-1).view(np.uint8)) != stored.nbytes:  # type: ignore[attr-defined]
            raise FrameError(
                "The file is cut short; copy it again, or look whether the disk was full."
            )
        to_physical(stored, *values, out=rows)
        if overview is not None:
            with np.errstate(over="ignore", invalid="ignore"):  # not yet known to be finite
                overview.take(top, rows)
    return pixels, overview


def _is_blank_level(blank: Any) -> bool:
    return isinstance(blank, int) and not isinstance(blank, bool)


def _factor(value: Any, default: float) -> float:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if is_number and np.isfinite(value) else default


def to_physical(
    stored: np.ndarray, scale: float, zero: float, blank: Any = None, out: np.ndarray | None = None
) -> np.ndarray:
    """zero + scale x stored as native float32; integers equal to `blank` become NaN.

    stored: any shape and numeric dtype, any byte order. 8 and 16-bit integers with a whole offset
    are exact in float32; everything else is computed in float64 and rounded once, in pieces.
    out: float32 of the same shape, C-contiguous, to be filled; a new array if None.
    """
    pixels = np.empty(stored.shape, np.float32) if out is None else out
    is_small = stored.dtype.kind in "iu" and stored.dtype.itemsize <= 2
    is_plain = scale == 1.0 and zero == 0.0
    if is_plain or (is_small and scale == 1.0 and zero == int(zero) and abs(zero) <= 1 << 23):
        values = stored
        with np.errstate(over="ignore", invalid="ignore"):
            # Small integers in this machine's order first: a third less time than both at once.
            if is_small:
                values = stored.astype(stored.dtype.newbyteorder("="), copy=False)
            if values.dtype == np.int16 and zero == 1 << 15:
                # Unsigned numbers, as cameras make them, are stored with their highest bit turned.
                values, zero = values.view(np.uint16) ^ np.uint16(1 << 15), 0.0
            np.copyto(pixels, values, casting="unsafe")
        if zero:
            pixels += np.float32(zero)
    else:
        flat_in, flat_out = stored.reshape(-1), pixels.reshape(-1)
        with np.errstate(over="ignore", invalid="ignore"):
            for start in range(0, flat_in.size, CHUNK_VALUES):
                piece = slice(start, start + CHUNK_VALUES)
                flat_out[piece] = zero + scale * flat_in[piece].astype(np.float64)
    if stored.dtype.kind in "iu" and _is_blank_level(blank):
        info = np.iinfo(stored.dtype)
        if info.min <= blank <= info.max:
            pixels[stored == blank] = np.nan
    return pixels


def _first_picture(opened: Any) -> Any:
    one_dimensional = None
    for hdu in opened:
        if not getattr(hdu, "is_image", False):
            continue
        shape = tuple(hdu.shape)
        if len(shape) >= 2 and 0 not in shape:
            return hdu
        if len(shape) == 1 and shape[0] > 0:
            one_dimensional = shape[0]
    if one_dimensional is not None:
        raise FrameError(
            f"The file holds a single row of {one_dimensional} values, not a picture; is it a "
            "spectrum? Leave it out of the folder."
        )
    raise FrameError(
        "The FITS file holds no picture (only headers or tables); look whether the capture "
        "program wrote it to the end."
    )


def _check_length(hdu: Any, path: Path) -> None:
    """FrameError if a file that is not packed as a whole ends before its data do.

    Missing padding behind plain data does no harm, so only the data themselves are counted; for
    tiles only the padded length is known.
    """
    info = hdu.fileinfo()
    with path.open("rb") as file:
        is_packed = file.read(6) != b"SIMPLE"
    if is_packed or info is None:
        return
    is_tiled = type(hdu).__name__ == "CompImageHDU"
    length = info["datSpan"] - BLOCK_BYTES + 1 if is_tiled else hdu.size
    needed, present = info["datLoc"] + length, path.stat().st_size
    if present < needed:
        raise FrameError(
            f"The file is cut short ({present} of {needed} bytes are there); copy it again, or "
            "look whether the disk was full."
        )


def _not_fits(path: Path) -> str:
    with path.open("rb") as file:
        start = file.read(16)
    if start.startswith((b"SIMPLE", b"\x1f\x8b", b"BZh")):
        return "The FITS file is damaged or cut short; copy it again from where it was taken."
    return (
        f"The file is no FITS file: it begins with {start!r} where FITS has SIMPLE; give it the "
        "suffix of what it is, or copy it again."
    )


def _other_pictures(opened: Any, chosen: Any) -> tuple[str, ...]:
    count = sum(
        1
        for hdu in opened
        if hdu is not chosen and getattr(hdu, "is_image", False) and len(hdu.shape) >= 2
    )
    if count == 0:
        return ()
    if count == 1:
        return ("one more picture in the file was not read",)
    return (f"{count} more pictures in the file were not read",)
