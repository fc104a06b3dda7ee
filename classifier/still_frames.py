"""Bias and dark frames that the user names: the first of them, and what they tell of the rig.

still_frames([folder], "bias")          # UsageError in one sentence
rig = rig_with_bias(rig, [folder])      # the same rig where nothing is named
"""

import warnings
from collections.abc import Iterator, Sequence
from pathlib import Path

from classifier.camera_facts import measure_masters
from classifier.errors import FrameError, UsageError
from classifier.frame import Frame, find_frames, read_frame
from classifier.rig import Rig

MOST_STILL = 2  # enough for a level and a read noise; more would only fill the memory


def still_frames(places: Sequence[Path] | None, kind: str) -> list[Frame]:
    """The first bias or dark frames of files and folders, what says that it is of another kind
    passed over. UsageError where one cannot be read, or none is there."""
    kept: list[Frame] = []
    other: Frame | None = None
    for frame in _read(places or (), kind):
        said = frame.facts.kind
        # Some cameras write a bias as a dark of no time.
        timeless = said == "dark" and (frame.facts.exposure_s or 0.0) < 0.1
        if said in (kind, None) or (kind == "bias" and timeless):
            kept.append(frame)
        else:
            other = other or frame
        if len(kept) == MOST_STILL:
            break
    if places and not kept:
        if other is not None:
            raise UsageError(
                f"--{kind}: the header of {other.path.name} says {other.facts.kind}; name {kind} "
                "frames."
            )
        raise UsageError(f"--{kind}: there is no frame in {places[0]}; name {kind} frames.")
    return kept


def _read(places: Sequence[Path], kind: str) -> Iterator[Frame]:
    for path, name in find_frames(places) if places else ():
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # what matters is in the frame's notes
                yield read_frame(path)
        except FrameError as error:
            raise UsageError(f"--{kind}: {name}: {error}") from error


def rig_with_bias(rig: Rig | None, places: Sequence[Path] | None) -> Rig | None:
    """A rig with the offset of bias frames, and their read noise where the gain is known, in place
    of what it does not say itself. UsageError as in `still_frames`."""
    biases = still_frames(places, "bias")
    if not biases:
        return rig
    known, shown = rig or Rig(), measure_masters(biases, [])
    gain = known.gain_e_adu or biases[0].facts.gain_e_adu
    noise_e = shown.read_noise_adu * gain if shown.read_noise_adu and gain else None
    return known.updated(
        offset_adu=shown.offset_adu if known.offset_adu is None else None,
        read_noise_e=noise_e if known.read_noise_e is None else None,
    )
