"""Bias and dark frames that the user names: the first of them, and what they tell of the rig.

    still_frames([folder], "bias")          # UsageError in one sentence
    rig = rig_with_bias(rig, [folder])      # the same rig where nothing is named

What the headers say is believed; a file that says nothing counts only where none says anything.
"""

from collections.abc import Sequence
from pathlib import Path

from classifier.camera_facts import measure_masters
from classifier.errors import UsageError
from classifier.frame import Frame, find_frames, read_each
from classifier.rig import Rig

MOST_STILL = 2  # enough for a level and a read noise; more would only fill the memory


def still_frames(places: Sequence[Path] | None, kind: str) -> list[Frame]:
    """The first bias or dark frames of files and folders by their headers; where no header says a
    kind, the first frames. UsageError where one cannot be read, or none is there."""
    if not places:
        return []
    stated: list[Frame] = []
    silent: list[Frame] = []
    other: Frame | None = None
    trouble: list[str] = []
    # Those that are named so first: the lights beside them take long to read.
    files = sorted(find_frames(places), key=lambda file: kind not in file[1].lower())
    for _, frame in read_each(files, trouble):
        said = frame.facts.kind
        # Some cameras write a bias as a dark of no time.
        timeless = said == "dark" and (frame.facts.exposure_s or 0.0) < 0.1
        if said == kind or (kind == "bias" and timeless):
            stated.append(frame)
        elif said is not None:
            other = other or frame
        elif len(silent) < MOST_STILL:
            silent.append(frame)
        if trouble or len(stated) == MOST_STILL:
            break
    if trouble:
        raise UsageError(f"--{kind}: {trouble[0]}")
    if stated:
        return stated
    if other is not None:
        raise UsageError(
            f"--{kind}: the header of {other.path.name} says {other.facts.kind}; name {kind} "
            "frames."
        )
    if not silent:
        raise UsageError(f"--{kind}: there is no frame in {places[0]}; name {kind} frames.")
    return silent


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
