"""`night.json`: the reading of a night beside its frames.json, written whole and read back."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from classifier.errors import UsageError
from classifier.results import write_whole

SCHEMA = "nightcull/night-1"
NIGHT_NAME = "night.json"


def write_night(
    readings: Sequence[Mapping[str, Any]], made_with: Mapping[str, str], folder: Path
) -> Path:
    """Write the readings of `night_reading.read_night`; returns where they are."""
    content = {"schema": SCHEMA, "made_with": dict(made_with), "runs": list(readings)}
    text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False)
    return write_whole(folder / NIGHT_NAME, text + "\n")


def load_night(folder: Path) -> list[dict[str, Any]]:
    """The readings of a results folder (or of the file itself); UsageError without any."""
    path = folder / NIGHT_NAME if folder.is_dir() else folder
    if not path.is_file():
        raise UsageError(
            f"There is no {NIGHT_NAME} in {folder}; make one with "
            "`nightcull label FOLDER --out DIR` and name that DIR."
        )
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        schema, runs = content.get("schema"), content.get("runs")
    except (ValueError, AttributeError) as error:
        raise UsageError(
            f"{path} is not a whole reading of a night ({error}); label the folder again."
        ) from error
    if schema != SCHEMA or not isinstance(runs, list):
        raise UsageError(
            f"{path} has the schema {schema!r} where {SCHEMA!r} is needed; label the folder again "
            "with this version."
        )
    return runs
