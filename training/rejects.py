"""A photographer's own rejects: a folder per fault and one called `good`, as labelled frames.

    rejects/good/...   rejects/trail/...   rejects/clouds/...

A sub with two faults lies in both folders (a copy or a link: frames are told apart by what is in
them, not by name). `good` means none of the faults. A sub in `trail` says nothing about the other
faults: it was put aside for its trail, not searched for dust.

The network's look at a frame is the dear part, so it is kept in a cache folder, by the bytes of
the file and of the model; moving or renaming a frame costs nothing.
"""

import hashlib
import multiprocessing
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from itertools import repeat
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import torch
from numpy.typing import NDArray

from classifier.errors import FrameError, UsageError
from classifier.vocabulary import KEYS
from classifier.weights import Model, load_model

if TYPE_CHECKING:
    from classifier.rig import Rig

GOOD = "good"
# Enough of both ends of a file to tell two exposures apart: the header and the last rows.
END_BYTES = 1 << 20


@dataclass(frozen=True)
class Reject:
    """One labelled sub. `labels` is empty for a good one. `identity` is a digest of the file."""

    path: Path
    identity: str
    labels: frozenset[str]


@dataclass(frozen=True)
class Look:
    """What the network made of a frame, and which run and night it belongs to.

    features (D,) and shape (S,) float32. `moment` is when it was taken, in text that sorts by time;
    that and `night` are empty where the file tells no time.
    """

    features: NDArray[np.float32]
    shape: NDArray[np.float32]
    run: str
    night: str
    moment: str = ""


def find_rejects(folder: Path) -> tuple[list[Reject], list[str]]:
    """All labelled subs under a folder, and notes about what was left out. Raises UsageError."""
    from classifier.frame import find_frames

    labelled: dict[str, set[str]] = {}
    where: dict[str, Path] = {}
    for entry in _label_folders(folder):
        for path, _ in find_frames([entry]):
            identity = file_identity(path)
            labelled.setdefault(identity, set()).add(entry.name)
            where.setdefault(identity, path)
    rejects, notes = [], []
    for identity, names in labelled.items():
        path = where[identity]
        if GOOD in names and len(names) > 1:
            others = ", ".join(sorted(names - {GOOD}))
            notes.append(
                f"{path.name} is in {GOOD} and in {others}, which cannot both be; left out."
            )
            continue
        rejects.append(Reject(path, identity, frozenset(names - {GOOD})))
    return sorted(rejects, key=lambda reject: str(reject.path)), notes


def _label_folders(folder: Path) -> list[Path]:
    if not folder.is_dir():
        raise UsageError(f"There is no folder {folder}; check the path.")
    entries = [e for e in sorted(folder.iterdir()) if e.is_dir() and not e.name.startswith(".")]
    allowed = {GOOD, *KEYS}
    for entry in entries:
        if entry.name not in allowed:
            raise UsageError(
                f"{folder} has a folder {entry.name!r}, which is neither {GOOD!r} nor a fault; "
                f"rename it to one of {', '.join(KEYS)}, or move it away."
            )
    if not entries:
        raise UsageError(
            f"{folder} has no folders to learn from; make one called {GOOD!r} and one for each "
            f"fault ({', '.join(KEYS)}) and put subs into them."
        )
    return entries


def file_identity(path: Path) -> str:
    """Digest of a file's size and both its ends; 32 hexadecimal digits."""
    size = path.stat().st_size
    digest = hashlib.sha256(str(size).encode())
    with path.open("rb") as stream:
        digest.update(stream.read(END_BYTES))
        if size > END_BYTES:
            stream.seek(max(END_BYTES, size - END_BYTES))
            digest.update(stream.read(END_BYTES))
    return digest.hexdigest()[:32]


def look_at(path: Path, model: Model, rig: "Rig | None") -> Look:
    """Read one frame and let the network look at it. Raises FrameError."""
    from classifier.examine import CALIBRATION, encode
    from classifier.frame import read_frame
    from classifier.runs import run_key

    frame = read_frame(path, rig)
    if frame.facts.kind in CALIBRATION:
        raise FrameError(f"The header says that this is a {frame.facts.kind} frame.")
    _, features, shape = encode(frame, model)
    run, taken = run_key(frame.facts, frame.pixels.shape), _moment(frame.facts)
    if taken is None:
        return Look(features, shape, run, "")
    # The date of the evening: the day changes at noon, by the clock the file has.
    night = str((taken - timedelta(hours=12)).date())
    return Look(features, shape, run, night, taken.isoformat(timespec="microseconds"))


def _moment(facts: Any) -> datetime | None:
    return facts.time_local or facts.time_utc


def look_at_all(
    rejects: list[Reject],
    model: Model,
    cache: Path,
    rig: "Rig | None" = None,
    look: Callable[[Path, Model, Any], Look] = look_at,
    say: Callable[[str], None] = lambda line: None,
    workers: int = 1,
) -> tuple[list[Reject], list[Look], list[str]]:
    """The network's look at every sub that can be read, from the cache where it has been there.

    Returns the subs that could be read, their looks, and notes about the others. The rig's facts
    are part of what the network sees, so they are part of the cache's key. With more than one of
    `workers`, processes that load the model themselves do the looking. Raises UsageError if one
    of them dies.
    """
    key = hashlib.sha256(f"{model.sha256} {rig!r}".encode()).hexdigest()[:16]
    store = cache / key
    store.mkdir(parents=True, exist_ok=True)
    kept = {reject.identity: _from_cache(store / f"{reject.identity}.npz") for reject in rejects}
    fresh = [reject for reject in rejects if kept[reject.identity] is None]
    notes = []
    seen = _looks([reject.path for reject in fresh], model, rig, look, workers)
    for number, (reject, found) in enumerate(zip(fresh, seen, strict=True), 1):
        if isinstance(found, str):
            notes.append(f"{reject.path.name} was left out: {found}")
            continue
        kept[reject.identity] = found
        _to_cache(store / f"{reject.identity}.npz", found)
        if number % 20 == 0:
            say(f"looked at {number} of {len(fresh)} new subs")
    pairs = [(reject, kept[reject.identity]) for reject in rejects]
    read = [reject for reject, found in pairs if found is not None]
    looks = [found for _, found in pairs if found is not None]
    new = len(fresh) - len(notes)
    say(f"{len(looks)} subs, {new} of them looked at now, the rest known from before")
    return read, looks, notes


def _looks(
    paths: list[Path],
    model: Model,
    rig: "Rig | None",
    look: Callable[[Path, Model, Any], Look],
    workers: int,
) -> Iterator[Look | str]:
    """A look at each path in order, or the sentence that says why there is none."""
    if workers <= 1 or len(paths) < 2 * workers:
        for path in paths:
            yield _look_or_reason(path, model, rig, look)
        return
    # Spawned, not forked: torch's threads do not survive a fork.
    pool = ProcessPoolExecutor(workers, multiprocessing.get_context("spawn"), _one_thread)
    try:
        yield from pool.map(_look_in_worker, paths, repeat(model.folder), repeat(rig), repeat(look))
    except BrokenProcessPool as error:
        raise UsageError(
            "A process that read subs died, most likely for want of memory; try --workers 1."
        ) from error
    finally:
        pool.shutdown(wait=False, cancel_futures=True)


def _look_or_reason(
    path: Path, model: Model, rig: "Rig | None", look: Callable[[Path, Model, Any], Look]
) -> Look | str:
    try:
        return look(path, model, rig)
    except FrameError as error:
        return str(error)


def _one_thread() -> None:
    torch.set_num_threads(1)


@lru_cache(maxsize=1)
def _model_of_this_process(folder: Path) -> Model:
    return load_model(folder)


def _look_in_worker(
    path: Path, folder: Path, rig: "Rig | None", look: Callable[[Path, Model, Any], Look]
) -> Look | str:
    return _look_or_reason(path, _model_of_this_process(folder), rig, look)


def _from_cache(path: Path) -> Look | None:
    """A look kept earlier; None where there is none or it is damaged."""
    try:
        with np.load(path, allow_pickle=False) as kept:
            texts = (str(kept[name]) for name in ("run", "night", "moment"))
            return Look(kept["features"], kept["shape"], *texts)
    except (OSError, ValueError, KeyError, EOFError):
        return None
    except Exception as error:
        # A torn zip file raises its own kind of error, which NumPy passes on.
        if type(error).__name__ == "BadZipFile":
            return None
        raise


def _to_cache(path: Path, look: Look) -> None:
    part = path.with_suffix(".part")
    with part.open("wb") as stream:
        np.savez(stream, **vars(look))
    part.replace(path)
