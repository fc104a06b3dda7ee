"""Master dark and master flat, as the user gives them, and a sub calibrated by them.

    masters = read_masters(dark_path, flat_path, rig)      # UsageError in one sentence
    pixels = calibrated(frame, masters)                    # (sub - dark) / flat

The sub on disk is not touched: this serves to tell what calibration would leave of a fault. A
master of whole numbers is taken as it came from the camera, offset still in it; a flat of
fractional numbers as calibrated already. Masters scaled to 0..1 are scaled back to 16 bits.
"""

from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from classifier.background import SkyPicture, measure_background
from classifier.discs import Disc, find_discs
from classifier.errors import FrameError, UsageError
from classifier.facts import Facts
from classifier.frame import Frame, read_frame
from classifier.rig import Rig
from classifier.sky_model import fit_sky
from classifier.stars import STAR

Array = np.ndarray

UNIT_TOP = 1.5  # a master whose numbers stay below this is scaled to 0..1
SIXTEEN_BITS = 65_535.0
NO_STAR_PX = 3.0  # a flat has none; shadows are looked for from two and a half of this on
DARKEST_SHARE = 0.05  # of the flat's middle; less light cannot be mended by dividing


@dataclass(frozen=True)
class MasterFiles:
    """Where the masters lie, and the rig that goes over their headers; hashable, for workers."""

    dark: Path | None
    flat: Path | None
    rig: Rig | None = None


@dataclass(frozen=True, eq=False)
class Masters:
    """dark, flat: as read, None if not given. dark_level: median of the dark; dark_slope_adu: how
    much brighter its glow makes one side, peak to peak. share: (H, W) float32 the flat over the
    median of its colour plane, offset taken off; flat_picture: its sky picture; flat_fall_pct: its
    corners below its centre; flat_discs: its shadows. None and empty without them."""

    dark: Frame | None
    flat: Frame | None
    dark_level: float | None = None
    dark_slope_adu: float | None = None
    share: Array | None = None
    flat_picture: SkyPicture | None = None
    flat_fall_pct: float | None = None
    flat_discs: tuple[Disc, ...] = ()


def read_masters(files: MasterFiles) -> Masters:
    """Both masters; UsageError if one cannot be what it is given as."""
    dark = _read(files.dark, "dark", files.rig) if files.dark else None
    flat = _read(files.flat, "flat", files.rig) if files.flat else None
    masters = Masters(dark, flat)
    if dark is not None:
        picture = measure_background(dark.pixels, dark.facts.bayer).picture
        slope = fit_sky(picture).gradient_adu
        level = float(np.median(dark.pixels))
        masters = replace(masters, dark_level=level, dark_slope_adu=slope)
    if flat is not None:
        share = _share(flat, dark, masters.dark_level)
        background = measure_background(share, flat.facts.bayer)
        model = fit_sky(background.picture)
        no_stars = np.zeros(0, STAR)
        discs, *_ = find_discs(
            background.picture, model.surface, no_stars, NO_STAR_PX, background.noise_adu
        )
        masters = replace(
            masters,
            share=share,
            flat_picture=background.picture,
            flat_fall_pct=100 * (1 - model.corner_adu / model.centre_adu),
            flat_discs=tuple(disc for disc in discs if disc.has_edge),
        )
    return masters


@lru_cache(maxsize=1)
def masters_of(files: MasterFiles) -> Masters:
    """As `read_masters`, kept for the next sub of this process."""
    return read_masters(files)


def _read(path: Path, kind: str, rig: Rig | None) -> Frame:
    try:
        frame = read_frame(path, rig)
    except FrameError as error:
        raise UsageError(f"--{kind} {path} cannot be used: {error}") from error
    # A flat that the camera wrote as a light is common; it is told, not refused.
    if frame.facts.kind not in (None, kind, "light"):
        raise UsageError(
            f"--{kind} {path} is a {frame.facts.kind} frame by its header (IMAGETYP); name a "
            f"{kind}, or correct its header."
        )
    low, high = float(frame.pixels.min()), float(frame.pixels.max())
    if low == high:
        raise UsageError(
            f"--{kind} {path} holds the value {low:g} in every pixel; give a real {kind}."
        )
    if high <= UNIT_TOP and kind == "dark":
        frame = replace(frame, pixels=frame.pixels * np.float32(SIXTEEN_BITS))
    if kind == "flat" and float(np.median(frame.pixels)) <= 0:
        raise UsageError(f"--flat {path} has no light in its middle value; give a real flat.")
    return frame


def _share(flat: Frame, dark: Frame | None, dark_level: float | None) -> Array:
    """The flat without its offset, over the median of each colour plane."""
    pixels = flat.pixels
    offset = flat.facts.offset_adu
    if offset is None and dark is not None and dark.pixels.shape == pixels.shape:
        offset = dark_level
    # Whole numbers come from a camera; an averaged or divided flat has fractions.
    if is_raw(flat) and offset is not None and offset < float(np.median(pixels)):
        pixels = pixels - np.float32(offset)
    share = np.empty_like(pixels)
    for dy, dx in planes_of(flat.facts):
        plane = pixels[dy[0] :: dy[1], dx[0] :: dx[1]]
        share[dy[0] :: dy[1], dx[0] :: dx[1]] = plane / max(float(np.median(plane)), 1e-6)
    return share


def is_raw(frame: Frame) -> bool:
    """Whether all numbers of a thinned grid are whole, as a camera writes them."""
    thin = frame.pixels[::7, ::7]
    return bool(float(thin.max()) > UNIT_TOP and not np.mod(thin, 1).any())


def planes_of(facts: Facts) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """(start, step) in rows and columns of every colour plane of a mosaic, or of the whole."""
    if facts.bayer is None:
        return [((0, 1), (0, 1))]
    return [((row, 2), (column, 2)) for row in (0, 1) for column in (0, 1)]


def offset_of(facts: Facts, masters: Masters) -> float | None:
    """Level of a sub without light: the dark's, else the stated one; None if neither is known."""
    if masters.dark_level is None:
        return facts.offset_adu
    return masters.dark_level + _missing_offset(facts, masters)


def _missing_offset(facts: Facts, masters: Masters) -> float:
    """The stated offset, where a dark far below it must have had it taken off; else 0."""
    level, offset = masters.dark_level, facts.offset_adu
    is_missing = level is not None and offset is not None and level < 0.5 * offset
    return float(offset) if is_missing and offset is not None else 0.0


def calibrated(frame: Frame, masters: Masters) -> Array | None:
    """(H, W) float32 (sub - dark) / flat; without dark the offset is taken off, without flat
    nothing is divided. None where a flat is to divide and the offset is unknown, or sizes differ.
    """
    pixels = frame.pixels
    given = [each for each in (masters.dark, masters.flat) if each is not None]
    if any(each.pixels.shape != pixels.shape for each in given):
        return None
    if masters.dark is not None:
        pixels = pixels - masters.dark.pixels - np.float32(_missing_offset(frame.facts, masters))
    elif frame.facts.offset_adu is not None:
        pixels = pixels - np.float32(frame.facts.offset_adu)
    elif masters.share is not None:
        return None
    if masters.share is not None:
        pixels = pixels / np.maximum(masters.share, np.float32(DARKEST_SHARE))
    return np.ascontiguousarray(pixels, np.float32)
