"""Telling pointings apart where the headers name no target.

Frames without a named target may be one field or many: a folder of TIFFs from one night, or a
year's snapshots. Only frames of one field may be held against each other, so their stars decide:
a frame whose many stars match none of the fields met before begins a field of its own. One with
few stars (cloud, defocus, a short sub) settles nothing and stays with the frame before it.
"""

from collections.abc import Sequence

import numpy as np

from classifier.star_match import match

UNNAMED = "?"  # how `run_key` begins where the target is unknown
TELLING_STARS = 25  # with fewer, a failed match proves no other field
FIELDS_REMEMBERED = 4


def told_apart(keys: Sequence[str], stars: Sequence[np.ndarray]) -> list[str]:
    """Run keys with the unnamed target replaced by "field 1", "field 2" ... where it takes two.

    keys: as from `run_key`, frames in order of time or name. stars: (n, 3) x, y, flux of each
    frame, brightest first. Keys that name a target are returned as they are.
    """
    result = list(keys)
    for key in dict.fromkeys(keys):
        members = [i for i, other in enumerate(keys) if other == key]
        if not key.startswith(f"{UNNAMED} |") or len(members) < 2:
            continue
        numbers = _fields([stars[i] for i in members])
        if max(numbers) == 1:
            continue
        for i, number in zip(members, numbers, strict=True):
            result[i] = f"field {number}{key.removeprefix(UNNAMED)}"
    return result


def _fields(stars: Sequence[np.ndarray]) -> list[int]:
    """Number of the field of each frame, counted from 1 in order of appearance."""
    references: dict[int, np.ndarray] = {}  # by field, the latest used last
    numbers: list[int] = []
    for mine in stars:
        number = next(
            (n for n, theirs in reversed(references.items()) if len(match(mine, theirs))), 0
        )
        if not number and len(mine) < TELLING_STARS:
            number = numbers[-1] if numbers else 1
        elif not number:
            number = max(numbers, default=0) + 1
            # A beginning too poor in stars to tell anything belongs to the first real field.
            if not references:
                number = 1
        # The richest frame of a field stands for it, moved to the end as the latest used.
        theirs = references.pop(number, mine)
        if len(mine) >= TELLING_STARS or len(theirs) >= TELLING_STARS:
            references[number] = mine if len(mine) > len(theirs) else theirs
        while len(references) > FIELDS_REMEMBERED:
            references.pop(next(iter(references)))
        numbers.append(number)
    return numbers
