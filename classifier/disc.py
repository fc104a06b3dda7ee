"""A disc in the sky: where it lies, how large and how high it is, and whether it has an edge."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Disc:
    """A candidate. x, y, radius: in frame pixels. step_adu: inside minus outside (dark discs below
    0). snr: of the matched filter, or of the edge. has_edge: it is a disc; else it may be one."""

    x: float
    y: float
    radius: float
    step_adu: float
    snr: float
    has_edge: bool
