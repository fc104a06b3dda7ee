"""The shapes of the stars of a plan's frames: made once, kept as rows of stamps on the device.

Nine places of the field have a light of their own, and so have the brightest stars, whose light is
the mean over the filter's band. All are kept at every sub-pixel phase.
"""

import numpy as np
import torch
from torch import Tensor

from synth.optics import spread
from synth.psf import Blur, Pupil, blur_otf, blurred, optical_light
from synth.sheet_plan import SheetPlan
from synth.stamp_rows import put_phases
from synth.starlight import CENTRE_ZONE, OVER, STAMP_PX, ZONES, band
from synth.transfer import sent

LIGHTS = len(ZONES) + 1  # the last is for the brightest stars: all colours of the band
AT_ONCE = 128  # frames, some 30 MB each while their stars' shapes are made


class SheetShapes:
    """Stamps of stars of one electron for frames `rows` of a plan.

    stamps: a row of zeros, then (frames, LIGHTS, OVER^2, 64, pitch) as `stamp_rows.put_phases`
    writes them, in one list; only the first 64 of a pitch hold light. peak: (frames,) brightest
    pixel in the middle of the field.
    """

    def __init__(
        self,
        plan: SheetPlan,
        rows: np.ndarray,
        pitch: int,
        device: torch.device | str,
        is_fused: bool,
    ):
        self.pitch = pitch
        shape = len(rows), LIGHTS, OVER, OVER, STAMP_PX, pitch
        self.stamps = torch.zeros(pitch + int(np.prod(shape)), device=device)
        every = self.stamps[pitch:].view(shape)
        for part in _alike(plan, rows):
            _make(plan, rows[part], every[part], is_fused)
        self.peak = every[:, CENTRE_ZONE].amax((1, 2, 3, 4))

    def first(self, frame: Tensor, light: Tensor, fine_x: Tensor, fine_y: Tensor) -> Tensor:
        """Number of the first pixel of the stamps of stars with that light, at fine places."""
        # Phases are kept from the last to the first: see `put_phases`.
        phase = OVER**2 - 1 - fine_x % OVER - OVER * (fine_y % OVER)
        return ((frame * LIGHTS + light) * OVER**2 + phase) * (STAMP_PX * self.pitch)

    def pictures(self) -> Tensor:
        """All stamps one after the other, (n, 64, 64)."""
        rows = self.stamps[self.pitch :].view(-1, self.pitch)
        return rows[:, :STAMP_PX].reshape(-1, STAMP_PX, STAMP_PX)


def turns(plan: SheetPlan) -> np.ndarray:
    """(B,) whether a frame's field turned meanwhile: paths differ from place to place."""
    paths = plan.blur["paths"]
    return (paths != paths[:, :1]).any((1, 2, 3))


def _alike(plan: SheetPlan, rows: np.ndarray) -> list[slice]:
    """Neighbouring frames to be made together: paths are one for all places or for none."""
    ends = np.flatnonzero(np.diff(turns(plan)[rows])) + 1
    parts = []
    for start, stop in zip((0, *ends), (*ends, len(rows)), strict=True):
        parts += [slice(i, min(i + AT_ONCE, stop)) for i in range(start, stop, AT_ONCE)]
    return parts


def _make(plan: SheetPlan, rows: np.ndarray, into: Tensor, is_fused: bool) -> None:
    """Lights of some frames, (b, LIGHTS, OVER, OVER, 64, pitch)."""
    table = {name: of[rows] for name, of in plan.blur.items()}
    # What is the same at all places is worked out once.
    for name in ("seeing_px", "paths"):
        if (table[name] == table[name][:, :1]).all():
            table[name] = table[name][:, :1]
    pupil = Pupil(**sent({name: of[rows] for name, of in plan.pupil.items()}, into.device))
    blur = Blur(**sent(table, into.device))
    amplitude, otf = pupil.amplitude(128), blur_otf(blur, STAMP_PX, OVER)
    light = optical_light(pupil, amplitude, blur.waves, STAMP_PX, OVER, (1.0,), is_fused)
    put_phases(blurred(light, otf).clamp_min_(0), into[:, :-1], OVER)
    # The bright light's colours all at once, as if they were frames.
    centre, colours = slice(CENTRE_ZONE, CENTRE_ZONE + 1), band(pupil)
    each = len(colours)
    light = spread(
        amplitude.repeat(each, 1, 1),
        blur.waves[:, centre].repeat(each, 1, 1),
        1.0 / (OVER * pupil.lambda_over_d_px).repeat(each),
        STAMP_PX * OVER,
        torch.cat(colours),
        is_fused,
    )
    light = light.unflatten(0, (each, -1)).mean(0)
    otf = otf if otf.shape[1] == 1 else otf[:, centre]
    put_phases(blurred(light, otf).clamp_min_(0), into[:, -1:], OVER)
