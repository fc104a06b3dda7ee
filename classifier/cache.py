"""What was examined before, kept so that it need not be examined again.

    cache = Cache(cache_folder(), model.sha256, rig)
    results = cache.find_night(files, model.config)    # None: examine its frames one by one
    examined = cache.find(path, name)                  # None: examine it, then
    cache.keep(examined)
    cache.keep_night(files, model.config, results)

A second run over the same night then takes a moment, and an interrupted one goes on where it was.
A frame is the same if its size, its time of change, and the first and last 64 KiB of it are; what
was made of it is the same if model, rig, every line of the classifier's code and the libraries
that measure are. A night is the same if all its frames are, and what the model was told of priors
and thresholds. Anything else is made anew. Frames that could not be read, and nights with such, are
never kept: the next run may be luckier.

The folder is the user's cache directory unless NIGHTCULL_CACHE names another; it may be deleted
at any time, and holds at most some 1 GB, the longest unused going first.
"""

import hashlib
import json
import os
import sys
import tempfile
from collections.abc import Mapping, Sequence
from functools import lru_cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from classifier import __version__
from classifier.examine import Examined, Sight
from classifier.masters import MasterFiles
from classifier.packing import PackingError, packed, unpacked
from classifier.results import Results
from classifier.rig import Rig

EDGE_BYTES = 64 * 1024  # of a file's beginning and end that are compared
MOST_BYTES = 1_000_000_000
SUFFIX = ".npz"
LIBRARIES = ("numpy", "scipy", "torch", "torchvision", "sep", "astropy", "rawpy", "tifffile")


def cache_folder(environment: Mapping[str, str] = os.environ) -> Path:
    """Where caches belong on this system; NIGHTCULL_CACHE overrides it. Nothing is made."""
    given = environment.get("NIGHTCULL_CACHE")
    if given:
        return Path(given)
    home = Path.home()
    if sys.platform == "win32":
        base = Path(environment.get("LOCALAPPDATA") or home / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = home / "Library" / "Caches"
    else:  # XDG Base Directory Specification: a relative path is to be ignored
        stated = Path(environment.get("XDG_CACHE_HOME") or "")
        base = stated if stated.is_absolute() else home / ".cache"
    return base / "nightcull"


class Cache:
    """Examined frames of earlier runs, for one model, rig and pair of masters.

    `warning` is one sentence on the first thing that went wrong, or None: trouble with the cache
    costs time, never results.
    """

    def __init__(
        self, folder: Path, model_sha256: str, rig: Rig | None, masters: MasterFiles | None = None
    ) -> None:
        self.folder = folder
        self.warning: str | None = None
        self._settings = "\n".join((_program(), model_sha256, repr(rig)))
        if masters is not None:
            # What a master says of a sub is kept for this very master only.
            parts = (masters.dark, masters.flat)
            self._settings += "".join(f"\n{self._key(part) if part else None}" for part in parts)
        self._keys: dict[Path, str] = {}
        self._is_writable = True

    def find(self, path: Path, name: str) -> Examined | None:
        """What an earlier run found in the file, under its present name; None if none did."""
        key = self._key(path)
        if key is None:
            return None
        self._keys[path] = key
        kept = self._read(key)
        if kept is None:
            return None
        try:
            sight, skipped = kept
            if not isinstance(sight, Sight | None) or (sight is None) == (skipped is None):
                raise PackingError("it holds something else")
        except (PackingError, ValueError, TypeError) as error:
            self._warn_of_damage(error)
            return None
        return Examined(path, name, sight=sight, skipped=skipped)

    def keep(self, examined: Examined) -> None:
        """Keep what `find` did not find, unless the file changed meanwhile or was not read."""
        key = self._keys.get(examined.path)
        if examined.error is not None or key is None or self._key(examined.path) != key:
            return
        self._write(key, (examined.sight, examined.skipped))

    def find_night(
        self, files: Sequence[tuple[Path, str]], config: Mapping[str, Any]
    ) -> Results | None:
        """What an earlier run made of these very files under these names, all of them; None if
        none did. config: of the model, as it judges."""
        keys = [self._key(path) for path, _ in files]
        if None in keys:
            return None
        kept = self._read(_night_key(files, keys, config))
        if kept is not None and not isinstance(kept, Results):
            self._warn_of_damage(PackingError("it holds something else"))
            return None
        return kept

    def keep_night(
        self, files: Sequence[tuple[Path, str]], config: Mapping[str, Any], results: Results
    ) -> None:
        """Keep what was made of a night whose frames were all read and are still the same."""
        keys = [self._key(path) for path, _ in files]
        same = None not in keys and keys == [self._keys.get(path) for path, _ in files]
        if same and not results.unreadable:
            self._write(_night_key(files, keys, config), results)

    def prune(self, most_bytes: int = MOST_BYTES) -> None:
        """Remove the longest unused entries until at most `most_bytes` are left."""
        try:
            entries = [(place, place.stat()) for place in self.folder.glob(f"*/*{SUFFIX}")]
            total = sum(stat.st_size for _, stat in entries)
            for place, stat in sorted(entries, key=lambda entry: entry[1].st_mtime_ns):
                if total <= most_bytes:
                    return
                place.unlink(missing_ok=True)
                total -= stat.st_size
        except OSError:
            return  # another run is at it, or may: the next one prunes

    def _key(self, path: Path) -> str | None:
        """What tells this file and everything that is made of it from any other."""
        try:
            stat = path.stat()
            with path.open("rb") as file:
                edges = file.read(EDGE_BYTES)
                if stat.st_size > EDGE_BYTES:
                    file.seek(-EDGE_BYTES, os.SEEK_END)
                    edges += file.read(EDGE_BYTES)
        except OSError:
            return None
        told = f"{self._settings}\n{stat.st_size} {stat.st_mtime_ns}\n"
        return hashlib.sha256(told.encode() + edges).hexdigest()

    def _read(self, key: str) -> Any:
        """What is kept under a key; None if nothing is, or nothing that can be read."""
        place = self._place(key)
        try:
            kept = unpacked(place.read_bytes())
            os.utime(place)  # used just now: it goes last when room is needed
            return kept
        except FileNotFoundError:
            return None
        except PackingError as error:
            self._warn_of_damage(error)
        except OSError as error:
            self._warn(f"Kept results cannot be read ({error.strerror}); all is made anew.")
        return None

    def _write(self, key: str, value: Any) -> None:
        place = self._place(key)
        if not self._is_writable:
            return
        try:
            place.parent.mkdir(parents=True, exist_ok=True)
            _write_whole(place, packed(value))
        except OSError as error:
            self._is_writable = False
            self._warn(
                f"Results are not kept for the next run ({error.strerror}: {self.folder}); make "
                "room there, or let NIGHTCULL_CACHE name another folder."
            )

    def _place(self, key: str) -> Path:
        return self.folder / key[:2] / (key[2:] + SUFFIX)

    def _warn_of_damage(self, error: Exception) -> None:
        self._warn(f"A kept result is damaged and was made anew ({error}).")

    def _warn(self, sentence: str) -> None:
        self.warning = self.warning or sentence


def _night_key(
    files: Sequence[tuple[Path, str]], keys: Sequence[str | None], config: Mapping[str, Any]
) -> str:
    """What tells these files, their names and how they are judged from any other night."""
    told = hashlib.sha256(json.dumps(config, sort_keys=True).encode())
    for (_, name), key in zip(files, keys, strict=True):
        told.update(f"{key} {name}\n".encode())
    return told.hexdigest()


@lru_cache(maxsize=1)
def _program() -> str:
    """What makes results besides model and rig: our code to the letter, and the libraries."""
    code = hashlib.sha256()
    for path in sorted(Path(__file__).parent.glob("*.py")):
        code.update(path.name.encode() + path.read_bytes())
    libraries = " ".join(f"{name} {_version(name)}" for name in LIBRARIES)
    return f"{__version__} {code.hexdigest()} {libraries} {sys.platform}"


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "none"


def _write_whole(place: Path, data: bytes) -> None:
    handle, part = tempfile.mkstemp(dir=place.parent, prefix=".part-")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
        Path(part).replace(place)
    finally:
        Path(part).unlink(missing_ok=True)
