"""Rendered frames as FITS files, with the truth beside them.

    write_sub(path, batch, 0, seed=1, index=0)           one frame
    write_frames(batch, folder, seed=1, index=0)         a batch and its rows of truth.csv

The header holds what a camera's capture program writes, in the keywords of the FITS standard or
of common practice, and NC... keywords with recipe, seed and version, from which the same frame
can be rendered again. Nothing is written over.
"""

import csv
import json
import warnings
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from classifier import __version__
from classifier.errors import UsageError
from classifier.vocabulary import FAULTS, KEYS
from synth.streaks import clipped_ends

if TYPE_CHECKING:
    from synth.generate import Batch
    from synth.scene import Scene

TRUTH_NAME = "truth.csv"
TRUTH_COLUMNS = ("file", "run", "seed", "index", "frame", "recipe", "labels", "unsure", "where")
Card = tuple[str, Any, str]  # keyword, value, comment
# First light of rendered frames that belong to no night in particular.
_BEGIN = datetime(2026, 1, 1, 20, 0, tzinfo=UTC)


def write_sub(
    path: Path,
    batch: "Batch",
    i: int,
    *,
    seed: int,
    index: int,
    target: str | None = None,
    time_utc: datetime | None = None,
    more: Sequence[Card] = (),
) -> dict[str, Any]:
    """Write frame `i` of a batch to a new FITS file and return its row of the truth table.

    Whole numbers from 0 to 65,535 become unsigned 16-bit integers (BZERO 32768), pictures cut down
    to 8 bits unsigned bytes, everything else 32-bit floats. `seed` and `index` are those the batch
    was rendered with. `more` are further cards, for example those from which `again` renders the
    file anew. A file that exists is never written over: UsageError.
    """
    from astropy.io import fits

    if path.exists():
        raise UsageError(f"{path} exists already and is not written over; give another folder.")
    scene = batch.scenes[i]
    pixels = batch.pixels[i].cpu().numpy()
    if pixels.min() >= 0 and pixels.max() <= 65_535 and not np.mod(pixels, 1).any():
        pixels = pixels.astype(np.uint8 if scene.processing == "eight_bit" else np.uint16)
    run = int(batch.run[i])
    target = target if target is not None else f"Field {index + 1}-{run + 1}"
    time_utc = time_utc if time_utc is not None else _time_of(scene, index, i)
    facts = {name: float(values[i]) for name, values in batch.physical.items()}
    hdu = fits.PrimaryHDU(pixels)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # long truths go on in CONTINUE cards
        for keyword, value, comment in _cards(scene, facts, target, time_utc):
            hdu.header[keyword] = (value, comment)
        row = truth_row(batch, i, seed=seed, index=index, file=path.name)
        for keyword, value, comment in (
            ("NCSEED", seed, "seed of the rendering"),
            ("NCINDEX", index, "number of the batch"),
            ("NCFRAME", i, "number within the batch"),
            ("NCVERS", __version__, "version of nightcull that rendered it"),
            ("NCRECIPE", " ".join(scene.recipe) or "clean", "faults put in"),
            ("NCTRUTH", row["labels"] or "clean", "faults strong enough to count"),
            *more,
        ):
            hdu.header[keyword] = (value, comment)
        hdu.writeto(path, overwrite=False)
    return row


def _time_of(scene: "Scene", index: int, i: int) -> datetime:
    """Frames follow each other with a short pause; every batch has an evening of its own."""
    return _BEGIN + timedelta(days=index % 3650, seconds=i * (scene.exposure_s + 5.0))


def _cards(scene: "Scene", facts: dict[str, float], target: str, time_utc: datetime) -> list[Card]:
    """Keyword, value and comment of every fact that the file's own maker would know."""
    telescope, camera = scene.rig.telescope, scene.rig.camera
    processed = scene.processing
    mosaic = camera.cfa is not None and facts["is_cfa"] > 0
    colour = "colour" if camera.cfa else "mono"
    optics = "refractor" if telescope.obstruction == 0 else "reflector"
    side_um = round(camera.pixel_um * camera.binning, 4)
    cards: list[Card] = [
        ("IMAGETYP", "Light", "kind of frame"),
        ("OBJECT", target, "target"),
        ("DATE-OBS", time_utc.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3], "start, UTC"),
        ("TIMESYS", "UTC", ""),
        ("EXPTIME", round(scene.exposure_s, 4), "[s] exposure"),
        ("FILTER", scene.rig.filter, ""),
        ("INSTRUME", f"Rendered {colour} {camera.pixel_um:.2f} um {camera.bits} bit", "camera"),
        ("TELESCOP", f"Rendered {optics} {telescope.aperture_mm:.0f} mm", ""),
        ("FOCALLEN", round(telescope.focal_mm, 2), "[mm] focal length"),
        ("APTDIA", round(telescope.aperture_mm, 2), "[mm] aperture"),
        ("XPIXSZ", side_um, "[um] pixel side after binning"),
        ("YPIXSZ", side_um, "[um] pixel side after binning"),
        ("XBINNING", camera.binning, ""),
        ("YBINNING", camera.binning, ""),
        ("CCD-TEMP", round(scene.temperature_c, 1), "[deg C] sensor"),
        ("EGAIN", facts["gain_e_adu"], "[e/ADU]"),
        ("RDNOISE", facts["read_noise_e"], "[e] read noise"),
        ("BLKLEVEL", facts["offset_adu"], "[ADU] level without light"),
        ("SATURATE", facts["saturation_adu"], "[ADU]"),
    ]
    if mosaic:
        # Our row 0 is the first row read from the sensor.
        cards += [("BAYERPAT", camera.cfa, "colours at the first two rows"), *_ROW_ORDER]
    if processed != "raw":
        cards.append(("NCSTATE", processed.replace("_", " "), "what was done to the frame"))
    # A fact that the processing wiped out is left out, not written as a number of its own.
    known = [
        (key, value, comment)
        for key, value, comment in cards
        if not (isinstance(value, float) and not np.isfinite(value))
    ]
    return [card for card in known if card[0] != "BLKLEVEL" or card[1] > 0]


_ROW_ORDER = (("ROWORDER", "TOP-DOWN", "row 1 is the top of the picture"),)


def truth_row(batch: "Batch", i: int, *, seed: int, index: int, file: str) -> dict[str, Any]:
    """What is true of frame `i`: one row of truth.csv.

    `labels` are the faults that count, `unsure` those between clean and faulty; both separated by
    blanks. Every fault key has a column with the strength in the vocabulary's unit, blank where
    it is to be left out. `where` is JSON in pixel coordinates, as in the results.
    """
    strength = batch.strength[i].tolist()
    targets = {
        row.key: row.target(value)
        for row, value in zip(FAULTS, strength, strict=True)
        if np.isfinite(value)
    }
    scene = batch.scenes[i]
    values = {
        key: f"{value:.6g}" if np.isfinite(value) else ""
        for key, value in zip(KEYS, strength, strict=True)
    }
    return {
        "file": file,
        "run": int(batch.run[i]),
        "seed": seed,
        "index": index,
        "frame": i,
        "recipe": " ".join(scene.recipe),
        "labels": " ".join(key for key, target in targets.items() if target == 1.0),
        "unsure": " ".join(key for key, target in targets.items() if 0.0 < target < 1.0),
        "where": json.dumps(_where(scene), separators=(",", ":")),
    } | values


def _where(scene: "Scene") -> dict[str, list[list[float]]]:
    """Places of what has one: trails as lines, dust and round reflections as discs."""

    def rounded(values: tuple[float, ...]) -> list[float]:
        return [round(value, 1) for value in values]

    places: dict[str, list[list[float]]] = {}
    ends = [clipped_ends(trail, scene.width_px, scene.height_px) for trail in scene.trails]
    if any(ends):
        places["trail"] = [rounded(e) for e in ends if e is not None]
    if scene.dust is not None:
        places["dust_motes"] = [rounded((m.x_px, m.y_px, m.outer_px)) for m in scene.dust.motes]
    ghosts = scene.reflection.ghosts if scene.reflection is not None else ()
    if any(g.is_round for g in ghosts):
        places["reflection"] = [rounded((g.x_px, g.y_px, g.outer_px)) for g in ghosts if g.is_round]
    return places


def write_truth(folder: Path, rows: list[dict[str, Any]]) -> Path:
    """Add rows to the folder's truth.csv, which is begun with its header if it is not there."""
    path = folder / TRUTH_NAME
    is_new = not path.exists()
    with path.open("a", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, (*TRUTH_COLUMNS, *KEYS))
        if is_new:
            writer.writeheader()
        writer.writerows(rows)
    return path


def read_truth(folder: Path) -> list[dict[str, Any]]:
    """The rows of a folder's truth.csv: strengths as floats (NaN = left out), `where` parsed."""
    path = folder / TRUTH_NAME
    if not path.is_file():
        raise UsageError(f"{path} is not there; a folder of rendered frames holds it.")
    with path.open(newline="", encoding="utf-8") as file:
        rows: list[dict[str, Any]] = list(csv.DictReader(file))
    for row in rows:
        row |= {key: float(row[key]) if row[key] else float("nan") for key in KEYS}
        row |= {key: int(row[key]) for key in ("run", "seed", "index", "frame")}
        row["where"] = json.loads(row["where"])
    return rows


def write_frames(
    batch: "Batch",
    folder: Path,
    *,
    seed: int,
    index: int,
    first: int = 1,
    prefix: str = "sub",
    more: Sequence[Card] = (),
) -> list[Path]:
    """Write a whole batch as `prefix`_00001.fits and so on, and its rows of truth.csv."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = [folder / f"{prefix}_{first + i:05}.fits" for i in range(len(batch.scenes))]
    rows = [
        write_sub(path, batch, i, seed=seed, index=index, more=more) for i, path in enumerate(paths)
    ]
    write_truth(folder, rows)
    return paths
