"""Plans handed from one process to another through a file, arrays as they lie in memory.

A pipe brings them in pieces of 64 KiB, each of which the receiving process copies while its other
threads wait; a file is read at once, and meanwhile they go on. For files that the program itself
has written a moment ago, in a folder of its own: what is read is unpickled.
"""

import pickle
from pathlib import Path
from typing import Any

import numpy as np


def wrap(thing: Any, path: Path) -> None:
    """Write any object that pickles; raises OSError, and then leaves no file."""
    arrays: list[pickle.PickleBuffer] = []
    head = pickle.dumps(thing, protocol=5, buffer_callback=arrays.append)
    parts: list[memoryview] = [memoryview(head), *(array.raw() for array in arrays)]
    sizes = np.array([len(parts), *(part.nbytes for part in parts)], np.int64)
    try:
        with path.open("wb") as file:
            file.write(sizes.tobytes())
            file.writelines(parts)
    except OSError:
        path.unlink(missing_ok=True)
        raise


def unwrap(path: Path) -> Any:
    """What `wrap` wrote; the file is gone then."""
    room = memoryview(bytearray(path.stat().st_size))
    with path.open("rb") as file:
        file.readinto(room)
    path.unlink()
    count = int(np.frombuffer(room[:8], np.int64)[0])
    sizes = np.frombuffer(room[8 : 8 * (count + 1)], np.int64)
    ends = 8 * (count + 1) + np.cumsum(sizes)
    head, *arrays = (room[end - size : end] for end, size in zip(ends, sizes, strict=True))
    return pickle.loads(head, buffers=arrays)
