"""Reading back the JSON files that `nightcull label` writes, each known by its schema."""

import json
from pathlib import Path
from typing import Any

from classifier.errors import UsageError


def read_json(place: Path, name: str, schema: str) -> tuple[Path, dict[str, Any]]:
    """The file `name` of a results folder, or the file itself, and what is in it.

    Raises UsageError where there is none, or it is no JSON object of that schema.
    """
    path = place / name if place.is_dir() else place
    if not path.is_file():
        raise UsageError(
            f"There is no {name} in {place}; make one with "
            "`nightcull label FOLDER --out DIR` and name that DIR."
        )
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except ValueError as error:
        raise damaged(path, error) from error
    if not isinstance(content, dict):
        raise damaged(path, f"it holds a {type(content).__name__}")
    if content.get("schema") != schema:
        raise UsageError(
            f"{path} has the schema {content.get('schema')!r} where {schema!r} is needed; label "
            "the folder again with this version."
        )
    return path, content


def damaged(path: Path, reason: object) -> UsageError:
    """The complaint about a file that is not as it was written."""
    return UsageError(f"{path} is damaged or cut short ({reason}); label the folder again.")
