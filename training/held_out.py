"""What is rendered before anything is learnt: the held-out sets, and a first batch to record by.

Workers draw the scenes of all sets from the moment the streams are made, so that the device need
not wait for each set's first; `first_batch` uses the wait to bring the device up to speed.
"""

from collections.abc import Callable

from synth.generate import RUN_FRAMES
from synth.rng import stream
from training.company import as_learnt
from training.config import TrainConfig
from training.data import (
    CALIBRATION,
    CLEAN,
    EVALUATION,
    VALIDATION,
    Buffer,
    Sample,
    batches_for,
    render_sample,
)
from training.loop import Trainer
from training.planner import Planner
from training.stream import Stream

# Of the time for all sets, what may have passed when each is done.
SHARES = {VALIDATION: 0.1, CALIBRATION: 0.4, CLEAN: 0.6, EVALUATION: 1.0}


def held_out_streams(planner: Planner, trainer: Trainer) -> dict[str, Stream]:
    """The held-out sets, by name, in the order in which they are to be rendered."""
    config = planner.config
    frames = {
        VALIDATION: config.validation_frames,
        CALIBRATION: config.calibration_frames,
        CLEAN: config.clean_frames,
        EVALUATION: config.evaluation_frames,
    }
    return {
        name: Stream(planner, name, trainer.device, batches_for(config, name, count))
        for name, count in frames.items()
    }


def rendered_sets(
    streams: dict[str, Stream], config: TrainConfig, seconds: Callable[[], float]
) -> dict[str, list[Sample]]:
    """The sets of `held_out_streams`, with fewer batches of the large ones where time is short.

    seconds: a clock."""
    began = seconds()
    limit = 60 * config.held_out_share * config.minutes if config.minutes else float("inf")
    sets: dict[str, list[Sample]] = {}
    for name, each in streams.items():
        sets[name] = []
        with each as rendered:
            for sample in rendered:
                sets[name].append(sample)
                if seconds() - began > SHARES[name] * limit:
                    break
    return sets


def first_batch(trainer: Trainer) -> Sample:
    """A batch as training draws it, of one run of the smallest frames over and over: only its form
    matters."""
    config = trainer.config
    smallest = [min(config.shapes, key=lambda shape: shape[0] * shape[1])]
    small = config.changed(shapes=smallest, shape_weights=[1.0], render_batch=RUN_FRAMES)
    buffer, rng = Buffer(RUN_FRAMES), stream(config.seed, "recording")
    sample = render_sample(small, "first", 0, trainer.device)
    buffer.add(as_learnt(sample, trainer.average, config.bf16, rng))
    return buffer.draw(config.batch, rng, config)
