"""One sub as an array of float32 with its facts, whatever file it came in; and finding subs.

    frame = read_frame(path)                 # FrameError with one sentence if it cannot be used
    for path, name in find_frames([folder]): ...

FITS (plain, gzip, bzip2, tile-compressed), camera raw, TIFF, and as a courtesy PNG, JPEG, BMP.
Nothing is calibrated, stretched or debayered. The file is closed when `read_frame` returns.
"""

import os
import warnings
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np

from classifier.camera_raw import read_raw
from classifier.errors import FrameError, UsageError
from classifier.facts import Facts
from classifier.fits_file import read_fits
from classifier.frame_overview import Overview, overview_of
from classifier.mosaic import checked_order
from classifier.picture_file import read_picture, read_tiff
from classifier.reading import Reading
from classifier.rig import Rig

FITS_SUFFIXES = (".fit", ".fits", ".fts")
PACKED_SUFFIXES = (".fz", ".gz", ".bz2")
RAW_SUFFIXES = (".cr2", ".cr3", ".nef", ".arw", ".dng", ".raf", ".orf", ".rw2", ".pef")
TIFF_SUFFIXES = (".tif", ".tiff")
PICTURE_SUFFIXES = (".png", ".jpg", ".jpeg", ".bmp")

# More than this share of NaN or infinite pixels is no frame with blemishes but no frame.
MOST = 0.5


@dataclass
class Frame:
    """A sub ready to be measured.

    pixels  (H, W) float32, native order, C-contiguous, finite: the raw mosaic of a colour sensor,
            the mean of the planes of a colour picture
    planes  (3, H, W) float32 for colour pictures, else None
    facts   from the header, overridden by the rig
    notes   what was mended or left out, one short phrase each
    """

    path: Path
    pixels: np.ndarray
    planes: np.ndarray | None
    facts: Facts
    notes: tuple[str, ...] = ()

    @cached_property
    def overview(self) -> Overview:
        """What everything that looks at the whole frame begins with; made once."""
        return overview_of(self.pixels)


def is_frame_file(path: Path) -> bool:
    """Whether the suffix, in any case, is one of a frame. The file is not touched."""
    return _reader(Path(path)) is not None


def read_frame(path: Path, rig: Rig | None = None) -> Frame:
    """The frame in `path`; FrameError with one clear sentence if there is none."""
    path = Path(path)
    reading = _read(path)
    pixels, planes = _as_picture(reading.pixels)
    notes, overview = list(reading.notes), reading.overview
    for array in () if reading.is_finite else (pixels,) if planes is None else (planes,):
        mended = _fill_not_finite(array, is_integer=reading.is_integer)
        if mended:
            notes, overview = notes + mended, None
    if planes is not None:
        if _is_grey(planes):
            pixels, planes = planes[0].copy(), None
        else:
            pixels = planes.mean(axis=0, dtype=np.float32)
    if overview is None:
        overview = overview_of(pixels)
    if reading.facts.kind not in ("bias", "dark", "flat"):  # those are set aside, not judged
        _refuse_constant(pixels, overview)
    facts, more = _checked_facts(reading, pixels, planes, overview)
    facts = rig.apply(facts) if rig is not None else facts
    frame = Frame(path, pixels, planes, facts, (*notes, *more))
    frame.overview = overview
    return frame


def read_each(files: Iterable[tuple[Path, str]], trouble: list[str]) -> Iterator[tuple[str, Frame]]:
    """Frames with their names, one at a time; of those that cannot be used a sentence each goes to
    `trouble`."""
    for path, name in files:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # what matters is in the frame's notes
                frame = read_frame(path)
        except FrameError as error:
            trouble.append(f"{name}: {error}")
            continue
        yield name, frame


def _reader(path: Path) -> Callable[[Path], Reading] | None:
    suffixes = [suffix.lower() for suffix in path.suffixes]
    last = suffixes[-1] if suffixes else ""
    if last == ".fz" or last in FITS_SUFFIXES:
        return read_fits
    if last in PACKED_SUFFIXES:
        return read_fits if len(suffixes) > 1 and suffixes[-2] in FITS_SUFFIXES else None
    for known, reader in (
        (RAW_SUFFIXES, read_raw),
        (TIFF_SUFFIXES, read_tiff),
        (PICTURE_SUFFIXES, read_picture),
    ):
        if last in known:
            return reader
    return None


def _read(path: Path) -> Reading:
    """The file's pixels and facts, with every way of failing turned into one sentence."""
    reader = _reader(path)
    if reader is None:
        known = FITS_SUFFIXES + RAW_SUFFIXES + TIFF_SUFFIXES + PICTURE_SUFFIXES
        raise FrameError(
            f"The suffix {path.suffix!r} is not one of a frame; known are {' '.join(known)}, and "
            "FITS also as .fz, .gz or .bz2."
        )
    try:
        if path.is_dir():
            raise FrameError("This is a folder, not a file; its contents could not be listed.")
        if path.stat().st_size == 0:
            raise FrameError(
                "The file is empty (0 bytes); copy it again, or look whether the disk was full."
            )
        return reader(path)
    except FrameError:
        raise
    except FileNotFoundError as error:
        raise FrameError(
            "The file is no longer there; if it was moved meanwhile, label the folder again."
        ) from error
    except PermissionError as error:
        raise FrameError(
            "The file may not be opened (permission denied); close the program that holds it or "
            "change its permissions."
        ) from error
    except MemoryError as error:
        raise FrameError(
            "The picture does not fit into memory; close other programs or use fewer workers."
        ) from error
    except Exception as error:  # damaged files raise whatever their reader happens to hit
        told = " ".join(str(error).replace(repr(str(path)), "").split())[:120].rstrip(". ")
        detail = f"{type(error).__name__}: {told}" if told else type(error).__name__
        raise FrameError(
            f"The file is damaged or cut short ({detail}); copy it again from where it was taken."
        ) from error


def _as_picture(data: np.ndarray) -> tuple[np.ndarray, np.ndarray | None]:
    """(pixels, None) for one plane; (an unused view, planes (3, H, W)) for three."""
    shape = " x ".join(str(side) for side in data.shape)
    while data.ndim > 2 and 1 in (data.shape[0], data.shape[-1]):
        data = data[0] if data.shape[0] == 1 else data[..., 0]
    if data.ndim == 2:
        return np.ascontiguousarray(data), None
    if data.ndim < 2:
        raise FrameError(f"The file holds {shape or 'one'} values in a row, not a picture.")
    if data.ndim == 3 and data.shape[0] == 3:
        return data[0], data
    if data.ndim == 3 and data.shape[2] == 3:
        return data[..., 0], np.ascontiguousarray(np.moveaxis(data, 2, 0))
    raise FrameError(
        f"The file holds an array of {shape}, and a frame has one plane or three; save each plane "
        "as a file of its own."
    )


def _fill_not_finite(pixels: np.ndarray, *, is_integer: bool) -> list[str]:
    """Replace NaN and infinity by the median in place; FrameError if that is most of the frame."""
    # A sum is NaN or infinite if any value is, and needs no second array; an overflow of huge but
    # finite values only costs the closer look. Integers may hold NaN through BLANK.
    with np.errstate(over="ignore", invalid="ignore"):
        if np.isfinite(pixels.sum(dtype=np.float32)):
            return []
    bad = ~np.isfinite(pixels)
    count = int(np.count_nonzero(bad))
    if count == 0:
        return []
    word = "blank" if is_integer else "NaN or infinite"
    if count > MOST * pixels.size:
        raise FrameError(
            f"{100.0 * count / pixels.size:.0f} % of the pixels are {word}, so there is no picture "
            "to judge; look at how the file was made."
        )
    pixels[bad] = np.median(pixels[~bad])
    if count == 1:
        return [f"1 {word} pixel was filled with the median"]
    return [f"{count} {word} pixels were filled with the median"]


def _is_grey(planes: np.ndarray) -> bool:
    """Whether the three planes are one: a mono picture stored as colour."""
    sample = planes[:, ::16, ::16]
    for other in (1, 2):
        if not np.array_equal(sample[0], sample[other]):
            return False
    return np.array_equal(planes[0], planes[1]) and np.array_equal(planes[0], planes[2])


def _refuse_constant(pixels: np.ndarray, overview: Overview) -> None:
    first = pixels.flat[0]
    if np.all(overview.tops == first) and np.all(pixels == first):
        raise FrameError(
            f"Every pixel has the same value ({first:g}), so nothing was exposed or read out; look "
            "at the camera's connection and the cap."
        )


def _checked_facts(
    reading: Reading, pixels: np.ndarray, planes: np.ndarray | None, overview: Overview
) -> tuple[Facts, list[str]]:
    """The facts after asking the pixels whether they can be true, and what was put right."""
    facts, notes = reading.facts, []
    if facts.bayer is not None:
        order, note = checked_order(facts.bayer, pixels)
        facts = replace(facts, bayer=order)
        notes += [note] if note else []
    for name, title in (("offset_adu", "offset"), ("pedestal_adu", "pedestal")):
        level = getattr(facts, name)
        if level is not None and level > _top_of_sky(pixels):
            # Below its own offset a frame would hold negative light.
            notes.append(f"the stated {title} of {level:g} ADU lies above the sky: not used")
            facts = replace(facts, **{name: None})
    if facts.saturation_adu is None and reading.is_integer and planes is None:
        facts = replace(facts, saturation_adu=plateau_adu(pixels, overview.tops))
    return facts, notes


def _top_of_sky(pixels: np.ndarray) -> float:
    """Median and three times the noise: an offset above that is no offset of this frame.

    A dim sub's median may well lie a little under a nominal offset, hence the margin.
    """
    sample = pixels[::16, ::16]
    middle = np.median(sample)
    return float(middle + 3.0 * 1.4826 * np.median(np.abs(sample - middle)))


def plateau_adu(pixels: np.ndarray, tops: np.ndarray | None = None) -> float | None:
    """The level at which an integer frame is clipped, if it shows; else None.

    pixels (H, W); tops (H,): highest values of its rows, if at hand. Clipped: either at least 3
    pixels share the maximum and it lies within 3 % below the full scale of 8, 10, 12, 14 or 16
    bits (amplifiers and offsets take a little off), or at least 10 pixels share it and they
    outnumber all others in the 5 % below (light that is not clipped thins out towards its maximum,
    clipped light piles up there).
    """
    rows = pixels.max(axis=1) if tops is None else tops
    top = float(rows.max())
    upper = pixels[rows >= 0.95 * top]
    upper = upper[upper >= 0.95 * top]
    at_top = int(np.count_nonzero(upper == top))
    near_full = any(0.97 * (2**bits - 1) <= top <= 2**bits - 1 for bits in (8, 10, 12, 14, 16))
    is_crowded = upper.size > pixels.size / 2  # a flat frame, whose top is its level
    piles_up = at_top >= 10 and at_top > upper.size - at_top and not is_crowded
    if (near_full and at_top >= 3) or piles_up:
        return top
    return None


def find_frames(folders: Iterable[Path]) -> list[tuple[Path, str]]:
    """All frame files under the folders, sorted: (path, name), the name with forward slashes.

    The name is relative to the folder; when several folders are given, each name starts with its
    folder's own (numbered where two are called the same). Links to folders are not followed, files
    given twice are listed once, names starting with a dot (the leavings of some file systems) are
    left out. A folder that cannot be listed is listed itself, so that reading it says why.
    A file may stand in the place of a folder. UsageError for a path that does not exist.
    """
    given = [Path(folder) for folder in folders]
    found: list[tuple[Path, str]] = []
    seen: set[str] = set()
    for folder, prefix in zip(given, _prefixes(given), strict=True):
        for path, inner in _walk(folder):
            real = os.path.normcase(os.path.realpath(path))
            if real not in seen:
                seen.add(real)
                found.append((path, prefix + inner))
    return found


def _walk(folder: Path) -> list[tuple[Path, str]]:
    if not folder.exists():
        raise UsageError(f"There is no folder {str(folder)!r}; check the path.")
    if not folder.is_dir():
        if not is_frame_file(folder):
            raise UsageError(f"{str(folder)!r} is neither a folder nor a frame; check the path.")
        return [(folder, folder.name)]
    found: list[Path] = []
    closed: list[str] = []
    for place, _, files in os.walk(folder, onerror=lambda error: closed.append(error.filename)):
        paths = (Path(place, name) for name in files if not name.startswith("."))
        found += [path for path in paths if is_frame_file(path)]
    found += [Path(name) for name in closed]
    named = [(path, path.relative_to(folder).as_posix()) for path in found]
    return sorted(named, key=lambda pair: pair[1])


def _prefixes(folders: list[Path]) -> list[str]:
    """'' for one folder; for several `name/`, a repeated name as `name-2/`."""
    if len(folders) < 2:
        return [""] * len(folders)
    prefixes: list[str] = []
    for folder in folders:
        name = folder.resolve().name if folder.is_dir() else ""
        prefix, count = f"{name}/" if name else "", 1
        while prefix and prefix in prefixes:
            count += 1
            prefix = f"{name}-{count}/"
        prefixes.append(prefix)
    return prefixes
