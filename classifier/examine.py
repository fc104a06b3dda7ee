"""One frame, from file to everything that is kept of it: measures, features, small pictures.

This is the part of labelling that touches pixels. It runs in the worker processes, one frame in
memory at a time; what it returns is small. A frame that fails returns the sentence that says
why: no single file can stop a night.
"""

import warnings
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import torch

from classifier.calibration import calibration_of
from classifier.errors import FrameError, NightcullError
from classifier.facts import Facts
from classifier.frame import Frame, read_frame
from classifier.masters import MasterFiles, masters_of
from classifier.measures import FrameMeasures, measure_frame
from classifier.picture import draw_picture
from classifier.results import Picture
from classifier.rig import Rig
from classifier.views import make_views, physical_vector, shape_facts

if TYPE_CHECKING:
    from classifier.views import Views
    from classifier.weights import Model

CALIBRATION = ("bias", "dark", "flat")
SMALLEST_PX = 64  # the views need this many pixels a side


@dataclass
class Sight:
    """What is kept of a frame that could be read.

    features (D,) and shape (S,) float32; `size_px` is (height, width); `line_px` is the best
    line of the model's own search, [x0, y0, x1, y1]; `calibration` what the masters would leave
    of its faults (see `calibration.calibration_of`), empty without masters.
    """

    facts: Facts
    size_px: tuple[int, int]
    measures: FrameMeasures
    features: np.ndarray
    shape: np.ndarray
    line_px: list[float]
    picture: Picture
    notes: tuple[str, ...]
    calibration: dict[str, dict] = field(default_factory=dict)


@dataclass
class Examined:
    """A file looked at: exactly one of `sight`, `error` (one sentence) and `skipped` is set."""

    path: Path
    name: str
    sight: Sight | None = None
    error: str | None = None
    skipped: str | None = None


def examine(
    path: Path, name: str, rig: Rig | None, model: "Model", masters: MasterFiles | None = None
) -> Examined:
    """Look at one file; never raises for anything that is wrong with the file."""
    try:
        with warnings.catch_warnings():
            # Readers warn about headers they mend; what matters is in the frame's notes.
            warnings.simplefilter("ignore")
            frame = read_frame(path, rig)
            if frame.facts.kind in CALIBRATION:
                reason = f"The header says this is a {frame.facts.kind} frame."
                return Examined(path, name, skipped=reason)
            return Examined(path, name, sight=_see(frame, model, masters))
    except NightcullError as error:
        return Examined(path, name, error=_sentence(_first_line(error)))
    except MemoryError:
        told = "This frame does not fit into memory beside the others; try --workers 1."
        return Examined(path, name, error=told)
    except Exception as error:
        told = f"This frame could not be labelled ({type(error).__name__}: {_first_line(error)})."
        return Examined(path, name, error=told)


def encode(frame: Frame, model: "Model") -> tuple["Views", np.ndarray, np.ndarray]:
    """One frame -> its views, the network's features (D,) and its shape facts, float32.

    Labelling and retraining both go through here. Raises FrameError where the frame is too small
    or the answer is no number.
    """
    height, width = frame.pixels.shape
    if min(height, width) < SMALLEST_PX:
        raise FrameError(
            f"The frame is {width} x {height} pixels, and at least {SMALLEST_PX} a side are "
            "needed to judge a sky; give the whole sub rather than a cut-out."
        )
    with torch.inference_mode():
        pixels = torch.from_numpy(frame.pixels)[None]
        lines = model.network.config.lines
        views = make_views(pixels, physical_vector(frame.facts)[None], frame.overview, lines)
        features = model.encoder.encode(views)[0].float().numpy()
        shape = shape_facts(views)[0].float().numpy()
    if not np.isfinite(features).all():
        raise FrameError("The network's answer is not a number for this frame; look at it.")
    return views, features.copy(), shape.copy()


def _see(frame: Frame, model: "Model", masters: MasterFiles | None) -> Sight:
    views, features, shape = encode(frame, model)
    measures = measure_frame(frame)
    return Sight(
        facts=frame.facts,
        size_px=frame.pixels.shape,
        measures=measures,
        features=features,
        shape=shape,
        line_px=views.line_px[0].tolist(),
        picture=draw_picture(frame.pixels, views, frame.overview, measures),
        notes=tuple(frame.notes),
        calibration=_tried(frame, measures, masters) if masters else {},
    )


def _tried(frame: Frame, measures: FrameMeasures, masters: MasterFiles) -> dict[str, dict]:
    """What the masters would leave; a sub that they cannot be tried on keeps its label."""
    try:
        return calibration_of(frame, measures, masters_of(masters))
    except Exception as error:
        why = f"it failed on this sub ({type(error).__name__}: {_first_line(error)})"
        return {"dark": {"differs": []}, "flat": {"differs": []}, "unusable": {"why": why}}


def _first_line(error: BaseException) -> str:
    lines = str(error).strip().splitlines()
    return lines[0] if lines else "no reason given"


def _sentence(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else text + "."
