"""Real good frames of a folder: what faults are grafted onto and rendered frames are held against.

Every frame in the folder is taken as good, unless a table beside them (`manifest.csv` or
`truth.csv`, with the columns file, labels and unsure, and perhaps unfamiliar) says otherwise:
frames with a label or of unfamiliar things are left out, and faults that are unsure in a frame
stay unknown in it. What a frame's own measures find at more than the clean level, or its stars
are too few to show, is barred: neither put into it nor scored (`own_faults`). Frames of one
folder, or of one run where all lie together, have one origin and are a group: a group is never
divided between training and evaluation.
"""

import csv
import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor

from classifier.errors import FrameError, UsageError
from classifier.vocabulary import KEYS

TABLES = ("manifest.csv", "truth.csv")
# Files in which brightness is no longer in proportion to light, or is lost in compression.
PICTURES = (".jpg", ".jpeg", ".png", ".bmp")
SMALLEST_PX = 128
# Labels of what lies on the sky or the sensor and leaves the stars as they are: a frame may have
# them and still take other faults.
LEAVE_STARS = frozenset(("hot_pixels", "dust_motes", "vignetting", "gradient"))
# Share of groups, by a hash of their names, that training may use; the rest is for evaluation.
TRAINING_SHARE = 0.5


@dataclass(frozen=True)
class GoodFrame:
    """A real good frame. pixels (H, W) float32; physical (len(PHYSICAL),), NaN unknown; bayer as in
    Facts; fwhm_px measured; unsure: faults that may be in it, so that nothing is said of them
    unless they are put in plainly; barred: neither put in nor scored."""

    path: Path
    group: str
    pixels: np.ndarray
    physical: Tensor
    bayer: str | None
    fwhm_px: float
    unsure: frozenset[str]
    barred: frozenset[str] = frozenset()


def part_of(group: str) -> str:
    """ "training" or "evaluation": by the group's name alone, so that it stays for ever."""
    digest = hashlib.sha256(group.encode()).digest()
    return "training" if digest[0] < 256 * TRAINING_SHARE else "evaluation"


def good_frames(
    folder: Path, part: str | None = None, labelled: frozenset[str] = frozenset()
) -> tuple[list[GoodFrame], list[str]]:
    """The folder's good frames, of one part or of both (None), and notes on what was left out.

    labelled: frames with no other labels than these are taken too, and those labels are barred.
    The same picture stored twice counts once. Raises UsageError if there is none.
    """
    folder = Path(folder)
    frames, notes, seen = [], [], set()
    for path, unsure, labels in _listed(folder, labelled):
        try:
            frame = _read(folder, path, unsure, labels)
        except FrameError as error:
            notes.append(f"{path.name} was left out: {error}")
            continue
        digest = hashlib.sha256(frame.pixels.tobytes()).hexdigest()
        if digest in seen:
            notes.append(f"{path.name} was left out: the same picture is there already.")
        elif part is None or part_of(frame.group) == part:
            frames.append(frame)
        seen.add(digest)
    if not frames:
        which = f" for {part}" if part else ""
        raise UsageError(
            f"{folder} has no good frame{which} to use; give a folder of good subs in files that "
            f"keep the light's proportions (FITS, raw, TIFF), {SMALLEST_PX} px a side or more."
        )
    return frames, notes


def _listed(
    folder: Path, labelled: frozenset[str]
) -> Iterator[tuple[Path, frozenset[str], frozenset[str]]]:
    """Frames without other labels than some, the faults unsure in them, and their labels."""
    from classifier.frame import find_frames

    if not folder.is_dir():
        raise UsageError(f"There is no folder {folder}; check the path.")
    table = next((folder / name for name in TABLES if (folder / name).is_file()), None)
    if table is None:
        yield from ((path, frozenset(), frozenset()) for path, _ in find_frames([folder]))
        return
    with table.open(newline="", encoding="utf-8") as stream:
        for row in csv.DictReader(stream):
            labels = _keys(row.get("labels"))
            if not labels <= labelled or row.get("unfamiliar"):
                continue
            yield folder / row["file"], _keys(row.get("unsure")) & set(KEYS), labels


def _keys(cell: str | None) -> frozenset[str]:
    return frozenset(re.split(r"[|,; ]+", cell or "")) - {""}


def _is_mosaic(pixels: np.ndarray) -> bool:
    """Whether the four places of 2 x 2 px have skies of their own: one of them further from
    another than three times what noise explains."""
    even = pixels[: pixels.shape[0] // 2 * 2, : pixels.shape[1] // 2 * 2]
    planes = [even[i::2, j::2] for i in (0, 1) for j in (0, 1)]
    levels = [float(np.median(plane)) for plane in planes]
    spread = 1.4826 * float(np.median(np.abs(planes[0] - levels[0])))
    # 1.2533: a median scatters so much more than a mean. Whole numbers have medians half a step
    # apart by mere rounding.
    scatter = 1.2533 * spread / planes[0].size ** 0.5
    step = 0.0 if np.mod(even[::16], 1).any() else 1.0
    return max(levels) - min(levels) > max(3 * 2**0.5 * scatter, 0.05 * spread, step)


def _read(folder: Path, path: Path, unsure: frozenset[str], labels: frozenset[str]) -> GoodFrame:
    """Read and measure one frame. Raises FrameError with one sentence why it is of no use."""
    from classifier.frame import read_frame
    from classifier.measures import measure_frame
    from classifier.runs import run_key
    from classifier.views import physical_vector
    from training.own_faults import own_faults

    if path.suffix.lower() in PICTURES:
        raise FrameError("a picture file does not keep the light's proportions.")
    frame = read_frame(path)
    if min(frame.pixels.shape) < SMALLEST_PX:
        height, width = frame.pixels.shape
        raise FrameError(f"{width} x {height} px is too small; {SMALLEST_PX} a side are needed.")
    if frame.facts.bayer is None and _is_mosaic(frame.pixels):
        raise FrameError("it looks like a colour mosaic that its header does not tell of.")
    measures = measure_frame(frame)
    fwhm_px = measures.numbers.get("fwhm_px", float("nan"))
    if not np.isfinite(fwhm_px):
        raise FrameError("no star could be measured in it.")
    inside = path.relative_to(folder).parts
    group = inside[0] if len(inside) > 1 else run_key(frame.facts, frame.pixels.shape)
    return GoodFrame(
        path,
        group,
        frame.pixels,
        physical_vector(frame.facts),
        frame.facts.bayer,
        float(fwhm_px),
        unsure,
        labels | own_faults(frame, measures),
    )


def pack(frames: list[GoodFrame], path: Path) -> None:
    """Write good frames to one file that machines without FITS readers can `unpack`; keep it out of
    the repository, as the frames are. A file that exists is not written over: UsageError."""
    if path.exists():
        raise UsageError(f"{path} exists already and is not written over; give another name.")
    about = [
        [str(f.path), f.group, f.bayer or "", str(f.fwhm_px), *map(_words, (f.unsure, f.barred))]
        for f in frames
    ]
    arrays: dict[str, Any] = {f"pixels_{i}": f.pixels for i, f in enumerate(frames)}
    arrays |= {f"physical_{i}": f.physical.numpy() for i, f in enumerate(frames)}
    with path.open("wb") as stream:
        np.savez_compressed(stream, about=np.array(about), **arrays)


def _words(keys: frozenset[str]) -> str:
    return " ".join(sorted(keys))


def unpack(path: Path) -> list[GoodFrame]:
    """Good frames from a file that `pack` wrote."""
    with np.load(path, allow_pickle=False) as kept:
        return [
            GoodFrame(
                Path(name),
                group,
                kept[f"pixels_{i}"],
                torch.from_numpy(kept[f"physical_{i}"]),
                bayer or None,
                float(fwhm_px),
                frozenset(unsure.split()),
                frozenset(barred.split()),
            )
            for i, (name, group, bayer, fwhm_px, unsure, barred) in enumerate(
                kept["about"].tolist()
            )
        ]
