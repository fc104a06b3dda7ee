"""What every reader of one file format hands to `classifier.frame`: pixels, facts, notes."""

from dataclasses import dataclass

import numpy as np

from classifier.facts import Facts
from classifier.frame_overview import Overview


@dataclass
class Reading:
    """Pixels as the file has them, in physical values; not yet checked.

    pixels: float32, native order, C-contiguous, of any shape; may hold NaN and infinity.
    is_integer: whether the file stores integers (then a clipped plateau is recognisable).
    is_finite: known to hold neither NaN nor infinity, so that nobody need look.
    overview: of a single plane, where the reader made it on the way.
    """

    pixels: np.ndarray
    is_integer: bool
    facts: Facts
    notes: tuple[str, ...] = ()
    is_finite: bool = False
    overview: Overview | None = None
