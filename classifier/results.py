"""The results of labelling: what is written, in which form, and how it is never lost.

`frames.json` is the contract other programs read (schema "nightcull/frames-1"); `frames.csv`
holds the same flattened, one row per frame; `json_lines` is the same again, one object per
line. Numbers that are unknown or not finite are null (empty in the CSV); paths use "/" on every
system. Files are written beside their final place and then renamed, so that a reader never
meets half a file; results that are already there are replaced only when that was asked for.
"""

import csv
import io
import json
import math
import os
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from classifier.errors import UsageError
from classifier.json_file import damaged, read_json
from classifier.vocabulary import GROUPS, KEYS

SCHEMA = "nightcull/frames-1"
JSON_NAME, CSV_NAME, REPORT_NAME = "frames.json", "frames.csv", "report.html"


@dataclass(frozen=True)
class StarTile:
    """One star of a picture's strip: its place and the side of its cut-out, in frame pixels, and if
    it was measured its half-flux radius, the angle of its long axis from +x towards +y, and the
    faults that it shows."""

    x_px: float
    y_px: float
    side_px: float
    hfr_px: float = 0.0
    angle_deg: float = 0.0
    shows: tuple[str, ...] = ()


@dataclass(frozen=True)
class Picture:
    """What a person sees of a frame: a stretched thumbnail and a strip of its stars.

    `thumbnail` and `strip` are JPEG and PNG bytes (`strip` may be empty), `small` the thumbnail at
    half of its size for long pages (empty: not drawn); `width_px` and
    `height_px` are the size of the frame itself, for laying `where` over the thumbnail; `tiles`
    tell of the stars of the strip from left to right.
    """

    thumbnail: bytes
    strip: bytes
    width_px: int
    height_px: int
    tiles: tuple[StarTile, ...] = ()
    small: bytes = b""


@dataclass
class FrameResult:
    """One entry of `frames.json`. `weights`: in a stack of its run, by what the stack is for, the
    best sub's being 1; empty where the sub could not be weighed. `notes` and `picture` are for the
    report only."""

    path: str
    run: str = ""
    verdict: str = "look"
    faults: list[str] = field(default_factory=list)
    why: str = ""
    confidence: dict[str, float] = field(default_factory=dict)
    groups: dict[str, float] = field(default_factory=dict)
    evidence: dict[str, dict[str, Any]] = field(default_factory=dict)
    numbers: dict[str, float] = field(default_factory=dict)
    unfamiliar: float | None = None
    where: dict[str, list] = field(default_factory=dict)
    weights: dict[str, float] = field(default_factory=dict)
    error: str | None = None
    notes: tuple[str, ...] = ()
    picture: Picture | None = None

    def as_json(self) -> dict[str, Any]:
        """The entry as plain JSON types, numbers rounded to what they mean."""
        return {
            "path": self.path,
            "run": self.run,
            "verdict": str(self.verdict),
            "faults": list(self.faults),
            "why": self.why,
            "confidence": plain(self.confidence),
            "groups": plain(self.groups),
            "evidence": plain(self.evidence),
            "numbers": plain(self.numbers),
            "unfamiliar": plain(self.unfamiliar),
            "where": plain(self.where),
            "weights": plain(self.weights),
            "error": self.error,
        }

    @staticmethod
    def from_json(entry: Mapping[str, Any]) -> "FrameResult":
        known = FrameResult.__dataclass_fields__.keys() - {"notes", "picture"}
        return FrameResult(**{key: entry[key] for key in known if key in entry})


@dataclass
class Results:
    """A labelled night. `skipped` are calibration frames: {"path": ..., "reason": ...};
    `readings` what `night_reading` read in each run, which goes to `night.json`; `prior` the
    share of the frames that each fault was taken to have, empty where nothing tells it."""

    made_with: dict[str, str]
    frames: list[FrameResult]
    skipped: list[dict[str, str]] = field(default_factory=list)
    readings: list[dict[str, Any]] = field(default_factory=list)
    prior: dict[str, float] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        return {
            "schema": SCHEMA,
            "made_with": self.made_with,
            "prior": plain(self.prior),
            "frames": [frame.as_json() for frame in self.frames],
            "skipped": self.skipped,
        }

    @property
    def unreadable(self) -> list[FrameResult]:
        return [frame for frame in self.frames if frame.error]


def plain(value: Any) -> Any:
    """Any mixture of dicts, lists, NumPy and Python numbers -> JSON types, not finite -> None."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if hasattr(value, "tolist"):  # NumPy arrays and scalars
        return plain(value.tolist())
    if isinstance(value, float):
        # Six figures are more than any measure here carries, and halve the file.
        return float(f"{value:.6g}") if math.isfinite(value) else None
    return value


def json_lines(results: Results) -> Iterator[str]:
    """One JSON object per frame. Pure ASCII, so that no console encoding can break it."""
    for frame in results.frames:
        yield json.dumps(frame.as_json(), ensure_ascii=True, allow_nan=False)


def csv_text(results: Results) -> str:
    """The frames flattened: nested names are joined with a dot, lists of faults with a space."""
    rows = [flat(frame) for frame in results.frames]
    columns = _columns(results.frames)
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def flat(frame: FrameResult) -> dict[str, Any]:
    """One CSV row."""
    entry = frame.as_json()
    row = {key: entry[key] for key in ("path", "run", "verdict", "why", "unfamiliar", "error")}
    row["faults"] = " ".join(entry["faults"])
    row["where"] = json.dumps(entry["where"]) if entry["where"] else ""
    for part in ("confidence", "groups", "numbers", "weights"):
        row |= {f"{part}.{key}": value for key, value in entry[part].items()}
    for key, evidence in entry["evidence"].items():
        row |= {
            f"evidence.{key}.{name}": json.dumps(value) if name == "perhaps" else value
            for name, value in evidence.items()
        }
    return row


def _columns(frames: Sequence[FrameResult]) -> list[str]:
    """The same columns for every night of one version, then what only some nights have."""
    columns = ["path", "run", "verdict", "faults", "why", "unfamiliar", "error"]
    columns += [f"confidence.{key}" for key in KEYS]
    columns += [f"groups.{name}" for name in GROUPS]
    columns += [
        f"evidence.{key}.{name}"
        for key in KEYS
        for name in ("state", "value", "unit", "threshold", "note")
    ]
    numbers = dict.fromkeys(
        f"{part}.{key}"
        for part in ("numbers", "weights")
        for frame in frames
        for key in getattr(frame, part)
    )
    return [*columns, *_more_evidence(frames), *numbers, "where"]


def _more_evidence(frames: Sequence[FrameResult]) -> list[str]:
    """Columns of the parts of evidence that only some frames have."""
    return [
        f"evidence.{key}.{name}"
        for key in KEYS
        for name in ("advice", "calibration", "perhaps")
        if any(name in frame.evidence.get(key, {}) for frame in frames)
    ]


def read_results(folder: Path) -> Results:
    """Read `frames.json` of a results folder (or the file itself)."""
    path, content = read_json(folder, JSON_NAME, SCHEMA)
    try:
        frames = [FrameResult.from_json(entry) for entry in content["frames"]]
    except (KeyError, TypeError) as error:
        raise damaged(path, error) from error
    return Results(
        content.get("made_with", {}),
        frames,
        content.get("skipped", []),
        prior=content.get("prior", {}),
    )


@contextmanager
def claimed_folder(folder: Path, replace: bool) -> Iterator[Path]:
    """The results folder, made for the work inside the `with`; refused if it already holds
    results, unless `replace`.

    The refusal comes before the work, so that it costs nobody an hour of labelling. If the work
    fails, a folder that was made for it goes again.
    """
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder} is a file where a folder is needed; give --out another name.")
    present = [name for name in (JSON_NAME, CSV_NAME, REPORT_NAME) if (folder / name).exists()]
    if present and not replace:
        raise UsageError(
            f"{folder} already holds results ({', '.join(present)}); add --replace to write over "
            "them, or give --out another folder."
        )
    is_new = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(
            f"The folder {folder} cannot be made ({error.strerror}); give --out a place where "
            "you may write."
        ) from error
    try:
        yield folder
    except BaseException:
        if is_new and not any(folder.iterdir()):
            folder.rmdir()
        raise


def free_folder(wanted: Path) -> Path:
    """`wanted`, or the first of wanted-2, wanted-3, ... that does not exist yet."""
    folder, number = wanted, 2
    while folder.exists():
        folder = wanted.with_name(f"{wanted.name}-{number}")
        number += 1
    return folder


def write_whole(path: Path, text: str) -> Path:
    """Write a text file in one step and return where it is.

    If the file is held open by another program (Windows locks it), the text goes to a numbered
    name beside it: a night of labelling must not be lost to an open spreadsheet.
    """
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    part = Path(name)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
        # mkstemp makes the file private; results are as readable as any file of the user.
        part.chmod(0o666 & ~_umask())
        try:
            part.replace(path)
        except PermissionError:
            path = _free_name(path)
            part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    return path


def write_results(results: Results, folder: Path) -> list[Path]:
    """Write `frames.json` and `frames.csv`; returns where they are."""
    text = json.dumps(results.as_json(), indent=1, ensure_ascii=False, allow_nan=False)
    return [
        write_whole(folder / JSON_NAME, text + "\n"),
        write_whole(folder / CSV_NAME, csv_text(results)),
    ]


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _free_name(path: Path) -> Path:
    number = 2
    while (other := path.with_name(f"{path.stem}-{number}{path.suffix}")).exists():
        number += 1
    return other
