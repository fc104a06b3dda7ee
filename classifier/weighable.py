"""Which subs of a run can be weighed for a stack, and why the others cannot."""

import math
from collections.abc import Sequence
from itertools import compress

from classifier.reference import credible
from classifier.results import FrameResult
from classifier.vocabulary import fault

# No weight and no Gaussian describes a star with several images.
NOT_ONE_STAR = ("guiding_loss",)
# Narrower ones than in the other subs, and under this share of their number, are pieces of donuts.
FEW_STARS, NO_STARS = 0.5, "its few narrow stars are none that the other subs show"
NEEDED = {"fwhm_px": "no star could be measured", "noise_adu": "its sky noise is unknown"}


def weighable(
    frames: Sequence[FrameResult],
) -> tuple[list[FrameResult], list[tuple[str, str]]]:
    """The subs of a run that can be weighed; path and reason of each of the others."""
    left_out = [(frame.path, why) for frame in frames if (why := _unusable(frame))]
    able = [frame for frame in frames if not _unusable(frame)]
    plain = credible([frame.numbers for frame in able], FEW_STARS)
    left_out += [(frame.path, NO_STARS) for frame in compress(able, ~plain)]
    return list(compress(able, plain)), left_out


def _unusable(frame: FrameResult) -> str:
    """Why a sub cannot be weighed by itself; empty if it can."""
    for key, why in NEEDED.items():
        value = frame.numbers.get(key)
        if value is None or not math.isfinite(value) or value <= 0:
            return why
    for key in NOT_ONE_STAR:
        if key in frame.faults:
            return f"{fault(key).title}: its stars have several images"
    return ""
