"""What is known of the camera behind a sub, and from where: measured, header, given or assumed.

    masters = measure_masters(biases, darks)
    camera = camera_facts(frame, background, rig, masters)
    camera.gain_e_adu.value, camera.gain_e_adu.origin

What the user gives goes over everything; what bias and dark frames show goes over the header's
read noise and offset. Without a gain, the frame's own sky and noise give one: a sky S above the
offset with a noise s beyond the read noise r holds S / (s^2 - r^2) electrons per ADU (photon
transfer, Janesick 2001, from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from classifier.background import Background
from classifier.frame import Frame, plateau_adu
from classifier.pixel_defects import pixel_noise
from classifier.rig import Rig

MEASURED, HEADER, GIVEN, ASSUMED, UNKNOWN = "measured", "header", "given", "assumed", "unknown"
# Between the 1 to 2 e of today's CMOS sensors at usual gains and the 8 e of older CCDs (cp).
ASSUMED_READ_NOISE_E = 3.0
LEAST_NOISE_ADU = 0.2  # rounding to whole numbers alone makes 1 / sqrt(12) = 0.289 ADU
SAMPLE = 8  # every so many rows are enough for a level


@dataclass(frozen=True)
class Known:
    """A number with where it comes from; None where it is unknown."""

    value: float | None
    origin: str
    note: str = ""


@dataclass(frozen=True)
class Masters:
    """From bias and dark frames: level without light, read noise (ADU), dark current (ADU/s)."""

    offset_adu: float | None = None
    read_noise_adu: float | None = None
    dark_adu_per_s: float | None = None
    note: str = ""


@dataclass(frozen=True)
class CameraFacts:
    """Everything that a light budget needs to know of the camera."""

    gain_e_adu: Known
    read_noise_e: Known
    offset_adu: Known
    saturation_adu: Known
    dark_e_per_s: Known

    def missing(self) -> str:
        """What has to be given before electrons can be counted; empty if nothing."""
        if self.gain_e_adu.value is None:
            return "the gain is unknown: give --gain, or --offset or --bias to have it measured"
        return ""


def measure_masters(biases: Sequence[Frame], darks: Sequence[Frame]) -> Masters:
    """Offset and read noise from bias frames (else from darks), dark current from darks.

    Two frames give the read noise by their difference, which the fixed pattern leaves alone; of a
    single one the noise between neighbouring pixels is taken. Averages of many frames have lost
    their read noise: files of floating-point numbers are taken for such.
    """
    still = list(biases) or list(darks)
    if not still:
        return Masters()
    offset = float(np.median([_level(frame) for frame in biases])) if biases else None
    raw = [frame for frame in still if frame.facts.bit_depth is not None]
    read_noise, note = None, ""
    if len(raw) >= 2 and raw[0].pixels.shape == raw[1].pixels.shape:
        read_noise = _spread(raw[0].pixels - raw[1].pixels) / 2**0.5
    elif raw:
        read_noise = pixel_noise(raw[0].pixels)
        note = "from the noise of a single frame; two would tell it better"
    else:
        note = "averaged frames have no read noise left; give single ones"
    if read_noise is not None and read_noise < LEAST_NOISE_ADU:
        read_noise, note = None, "the frames show no noise at all, which no camera does"
    if not biases and read_noise is not None:
        note = "; ".join(part for part in (note, "with the dark's own noise in it") if part)
    return Masters(offset, read_noise, _dark_rate(darks, offset), note)


def _dark_rate(darks: Sequence[Frame], offset: float | None) -> float | None:
    if offset is None:
        return None
    rates = [
        (_level(frame) - offset) / frame.facts.exposure_s
        for frame in darks
        if frame.facts.exposure_s
    ]
    return max(0.0, float(np.median(rates))) if rates else None


def camera_facts(
    frame: Frame, background: Background, rig: Rig | None, masters: Masters
) -> CameraFacts:
    """The camera behind this frame. `frame` is as read without the rig."""
    rig, facts = rig or Rig(), frame.facts
    offset = _offset(rig, facts.offset_adu, facts.pedestal_adu, masters)
    gain = _stated(rig.gain_e_adu, facts.gain_e_adu)
    read_noise = _stated(rig.read_noise_e, None)
    if gain.value is None:
        gain = _gain_from_noise(background, offset.value, read_noise.value, masters)
    if read_noise.value is None:
        read_noise = _read_noise(facts.read_noise_e, gain.value, masters)
    return CameraFacts(gain, read_noise, offset, _saturation(frame), _dark(gain, masters))


def _stated(given: float | None, header: float | None) -> Known:
    if given is not None:
        return Known(given, GIVEN)
    return Known(header, HEADER if header is not None else UNKNOWN)


def _offset(rig: Rig, header: float | None, pedestal_adu: float | None, masters: Masters) -> Known:
    if rig.offset_adu is None and masters.offset_adu is not None:
        return Known(masters.offset_adu, MEASURED, "median of the bias frames")
    known = _stated(rig.offset_adu, header)
    if known.value is None and pedestal_adu is not None:
        return Known(None, UNKNOWN, f"at least the pedestal of {pedestal_adu:g} ADU")
    return known


def _read_noise(header: float | None, gain: float | None, masters: Masters) -> Known:
    if masters.read_noise_adu is not None and gain is not None:
        return Known(masters.read_noise_adu * gain, MEASURED, masters.note)
    if header is not None:
        return Known(header, HEADER)
    note = masters.note or "a usual value; give --read-noise or --bias"
    return Known(ASSUMED_READ_NOISE_E, ASSUMED, note)


def _gain_from_noise(
    background: Background, offset: float | None, read_noise_e: float | None, masters: Masters
) -> Known:
    """Photon transfer with one frame: the read noise measured in ADU, or stated in electrons."""
    unknown = Known(None, UNKNOWN)
    if offset is None:
        return unknown
    sky, variance = background.level_adu - offset, background.noise_adu**2
    if sky <= 0 or variance <= 0:
        return unknown
    if masters.read_noise_adu is not None and read_noise_e is None:
        beyond = variance - masters.read_noise_adu**2
        # With less sky than a third of the read noise its share drowns in its own error.
        if beyond < 0.3 * masters.read_noise_adu**2:
            return unknown
        return Known(sky / beyond, MEASURED, "from sky and noise of the sub")
    # variance g^2 = sky g + R^2, solved for the gain g.
    noise_e = ASSUMED_READ_NOISE_E if read_noise_e is None else read_noise_e
    gain = (sky + math.sqrt(sky**2 + 4 * variance * noise_e**2)) / (2 * variance)
    if read_noise_e is None and gain * sky < 3 * noise_e**2:
        note = "the sky is too dim to measure it: it hangs on the assumed read noise"
        return Known(gain, ASSUMED, note)
    return Known(gain, MEASURED, "from sky and noise of the sub, with the read noise below")


def _saturation(frame: Frame) -> Known:
    facts = frame.facts
    if facts.saturation_adu is not None:
        seen = facts.bit_depth is not None and plateau_adu(frame.pixels) == facts.saturation_adu
        return Known(facts.saturation_adu, MEASURED if seen else HEADER)
    if facts.bit_depth in (8, 16):
        note = "full scale of the file; the sensor may saturate below"
        return Known(2.0**facts.bit_depth - 1, ASSUMED, note)
    return Known(None, UNKNOWN)


def _dark(gain: Known, masters: Masters) -> Known:
    if masters.dark_adu_per_s is None or gain.value is None:
        return Known(None, UNKNOWN)
    return Known(masters.dark_adu_per_s * gain.value, MEASURED, "median of the dark frames")


def _level(frame: Frame) -> float:
    return float(np.median(frame.pixels[::SAMPLE]))


def _spread(values: np.ndarray) -> float:
    """Standard deviation without the few hot pixels and cosmic rays: cut at 4 sigma."""
    values = values[:: max(1, values.shape[0] // 512)].astype(np.float64).ravel()
    spread = float(values.std())
    for _ in range(5):
        kept = values[np.abs(values - np.median(values)) <= 4 * spread]
        spread = float(kept.std())
    return spread
