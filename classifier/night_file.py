"""`night.json`: the reading of a night beside its frames.json, written whole and read back."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from classifier.json_file import damaged, read_json
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
    path, content = read_json(folder, NIGHT_NAME, SCHEMA)
    runs = content.get("runs")
    if not isinstance(runs, list):
        raise damaged(path, "it has no runs")
    return runs
