"""What is kept of a frame or a night as bytes, and back: plain data, no pickled objects.

    unpacked(packed(sight)) == sight, number for number

A cache may lie where others can write; reading it must not run what they wrote. So the bytes are
a NumPy archive with a tree in JSON and the arrays it names, and only the classes listed here are
made from it.
"""

import dataclasses
import io
import json
import zipfile
from datetime import datetime
from typing import Any

import numpy as np

from classifier.evidence import Evidence
from classifier.examine import Sight
from classifier.facts import Facts
from classifier.measures import FrameMeasures
from classifier.results import FrameResult, Picture, Results, StarTile

CLASSES = {
    each.__name__: each
    for each in (Sight, Facts, FrameMeasures, Evidence, Picture, StarTile, FrameResult, Results)
}
# Everything that a damaged or foreign archive has been seen to raise.
BROKEN = (ValueError, KeyError, TypeError, IndexError, AttributeError, OSError, EOFError)


class PackingError(Exception):
    """Bytes that are no whole packed value."""


def packed(value: Any) -> bytes:
    """A Sight, Results, or anything made of their parts, as bytes. TypeError for anything else."""
    arrays: list[np.ndarray] = []
    content = bytearray()
    tree = json.dumps(_planted(value, arrays, content)).encode()
    parts: dict[str, Any] = {f"a{i}": array for i, array in enumerate(arrays)}
    # Pictures one behind the other: a member of its own for each takes far longer to read.
    parts |= {"tree": np.frombuffer(tree, np.uint8), "bytes": np.frombuffer(content, np.uint8)}
    stream = io.BytesIO()
    np.savez(stream, **parts)
    return stream.getvalue()


def unpacked(data: bytes) -> Any:
    """What `packed` was given; PackingError if the bytes are damaged or of another version."""
    try:
        with np.load(io.BytesIO(data), allow_pickle=False) as archive:
            tree = json.loads(archive["tree"].tobytes())
            return _grown(tree, archive, archive["bytes"].tobytes())
    except (*BROKEN, zipfile.BadZipFile) as error:
        raise PackingError(f"{type(error).__name__}: {error}") from error


def _planted(value: Any, arrays: list[np.ndarray], content: bytearray) -> Any:
    """JSON for a value; what JSON cannot say is a list that begins with its kind. Arrays and bytes
    go behind those that are there."""
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or isinstance(value, bool | int | float | str):
        return value
    if isinstance(value, dict):
        return {str(key): _planted(each, arrays, content) for key, each in value.items()}
    if isinstance(value, list):
        return ["list", *(_planted(each, arrays, content) for each in value)]
    if isinstance(value, tuple):
        return ["tuple", *(_planted(each, arrays, content) for each in value)]
    if isinstance(value, datetime):
        return ["time", value.isoformat()]
    if isinstance(value, bytes):
        content += value
        return ["bytes", len(content) - len(value), len(content)]
    if isinstance(value, np.ndarray):
        arrays.append(value)
        return ["array", len(arrays) - 1]
    if type(value).__name__ in CLASSES:
        fields = {each.name: getattr(value, each.name) for each in dataclasses.fields(value)}
        return ["class", type(value).__name__, _planted(fields, arrays, content)]
    raise TypeError(f"a {type(value).__name__} cannot be packed")


def _grown(tree: Any, archive: Any, content: bytes) -> Any:
    if isinstance(tree, dict):
        return {key: _grown(each, archive, content) for key, each in tree.items()}
    if not isinstance(tree, list):
        return tree
    kind, *rest = tree
    if kind == "class":
        return CLASSES[rest[0]](**_grown(rest[1], archive, content))
    if kind == "time":
        return datetime.fromisoformat(rest[0])
    if kind == "array":
        return archive[f"a{rest[0]}"]
    if kind == "bytes":
        start, end = rest
        if not 0 <= start <= end <= len(content):
            raise ValueError("bytes are missing")
        return content[start:end]
    if kind not in ("list", "tuple"):
        raise ValueError(f"the kind {kind!r} is unknown")
    values = [_grown(each, archive, content) for each in rest]
    return values if kind == "list" else tuple(values)
