"""The work behind `nightcull render`: labelled synthetic subs as FITS files in a folder."""

from collections.abc import Callable, Sequence
from pathlib import Path

import torch

from classifier.errors import UsageError
from classifier.vocabulary import KEYS
from synth.files import write_frames
from synth.generate import render_batch
from synth.origin import frame_cards

Progress = Callable[[int, int, str], None]

# Pixels of one batch: bounds the memory, some 40 bytes a pixel while a batch is made.
_BATCH_PX = 8_000_000


def render(
    out: Path,
    count: int,
    faults: Sequence[str] | None = None,
    width_px: int = 1536,
    height_px: int = 1024,
    cfa: bool | None = None,
    seed: int = 1,
    device: str = "cpu",
    progress: Progress = lambda *_: None,
    batch_frames: int | None = None,
) -> list[Path]:
    """Render `count` frames into the new or empty folder `out`, with truth.csv beside them.

    `faults` gives every frame exactly these; None draws them as in training; an empty sequence
    gives clean frames. `cfa`: colour (True), mono (False) or drawn (None). `batch_frames`:
    frames made at a time, by default up to 16 as memory allows. Equal arguments give equal files
    on the same device and torch version.
    """
    check_request(out, count, faults, width_px, height_px, device)
    per_batch = batch_frames or max(1, min(count, 16, _BATCH_PX // (width_px * height_px)))
    paths: list[Path] = []
    while len(paths) < count:
        index, size = len(paths) // per_batch, min(per_batch, count - len(paths))
        batch = render_batch(seed, index, size, width_px, height_px, device, faults, cfa)
        asked = frame_cards(faults, cfa, size, device)
        paths += write_frames(batch, out, seed=seed, index=index, first=len(paths) + 1, more=asked)
        progress(len(paths), count, paths[-1].name)
    return paths


def check_request(
    out: Path,
    count: int,
    faults: Sequence[str] | None,
    width_px: int,
    height_px: int,
    device: str,
) -> None:
    """UsageError, in one sentence, for what cannot be rendered."""
    if count < 1:
        raise UsageError(f"{count} frames cannot be rendered; ask for 1 or more.")
    for key in faults or ():
        if key not in KEYS:
            raise UsageError(f"{key!r} is no fault that can be rendered; use {', '.join(KEYS)}.")
    if min(width_px, height_px) < 256 or width_px * height_px > 150_000_000:
        raise UsageError(
            f"A frame of {width_px} x {height_px} px cannot be rendered; "
            "use sides from 256 px and at most 150 Mpx."
        )
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise UsageError(f"{out} is not an empty folder; give a new one.")
    if device.startswith("cuda") and not torch.cuda.is_available():
        raise UsageError(f"Device {device!r} is not there; use cpu.")
