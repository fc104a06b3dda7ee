"""How a model is trained, in one frozen dataclass; TOML in, JSON out beside the weights.

Every released model's settings are a file in `training/configs`. Unknown keys are an error, and
messages name the field as it is written in the file and on the command line.
"""

import dataclasses
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from classifier.errors import UsageError
from classifier.network import NetworkConfig
from synth.generate import MOST_RUNS


@dataclass(frozen=True)
class PretrainConfig:
    """The table [pretrain]: how the star branch is trained on star cut-outs before all else."""

    seconds: float = 0.0
    """Time for it, out of the run's `minutes`; 0 leaves it out."""
    steps: int = 0
    """It ends after so many steps even if there is time left; 0 = by time alone."""
    frames: int = 256
    """Frames whose cut-outs are rendered, and learnt from, at a time."""
    times: int = 6
    """How often a drawn batch is rendered, its stars at other places each time."""

    def __post_init__(self) -> None:
        for name, lowest in (("seconds", 0), ("steps", 0), ("frames", 1), ("times", 1)):
            value = getattr(self, name)
            if value < lowest:
                raise UsageError(f"{name} in [pretrain] is {value}; it must be {lowest} or more.")


@dataclass(frozen=True)
class TrainConfig:
    """Settings of one training run."""

    name: str = "unnamed"
    """Name of the model folder that is written."""
    seed: int = 1
    """Seed of everything random. Training, validation, calibration and evaluation frames come
    from streams of different names, so that no frame is ever in two of them."""
    minutes: float | None = None
    """Time for the whole run, from the first rendered frame to the written folder."""
    steps: int | None = None
    """Number of training steps; exactly one of `minutes` and `steps` is set."""
    device: str = "auto"
    """"cpu", "cuda", or "auto": the GPU if there is one."""
    bf16: bool = True
    """Multiply in bfloat16 on a GPU; weights and their averages stay in float32."""

    shapes: tuple[tuple[int, int], ...] = ((1024, 1536), (1280, 1280), (1536, 2048))
    """Heights and widths of rendered frames, px; every rendered batch has one of them."""
    shape_weights: tuple[float, ...] = (1.0, 1.0, 1.0)
    """How often each of `shapes` is rendered, in proportion."""
    render_batch: int = 32
    """Frames rendered at a time, in runs of synth.generate.RUN_FRAMES."""
    largest_batch_mpx: float = 250.0
    """Large frames are rendered fewer at a time, to at most so many megapixels together (one run
    at least): rendering and views take some 20 times the memory of the pixels."""
    workers: int = 0
    """Processes that draw scenes ahead; 0 draws them in the training process itself."""
    renderers: int = 2
    """Threads that render ahead on a GPU; on a CPU nothing is rendered ahead."""
    stars_in_training: tuple[int, ...] = (64,)
    """Numbers of star cut-outs used in a training step, drawn at random step by step."""
    buffer_frames: int = 8192
    """Views kept for use again, in float16: about 0.8 MB each, on the training device."""
    reuse: float = 6.0
    """How many times each rendered frame is trained on, turned differently each time."""
    physical_dropout: float = 0.3
    """Share of runs whose files do not tell one physical fact or another."""
    context_dropout: float = 0.3
    """Share of frames judged without their run, as for a single frame."""

    lone_share: float = 0.0
    """Share of the training batches in which every frame has a rig and a field of its own and is
    judged without a run: one run of eight shows the same spikes and dust eight times."""
    graft_share: float = 0.0
    """Share of the training frames that are real good frames with faults grafted onto them; above
    0 they have to be given. Held-out frames are rendered whatever it is."""

    batch: int = 128
    """Frames in one training step."""
    learning_rate: float = 1.5e-3
    weight_decay: float = 0.02
    orthogonal: bool = False
    """Matrices of weights learn by orthogonal steps (`training.orthogonal`), all else by AdamW."""
    warm_up: float = 0.03
    """Share of the training in which the learning rate rises from 0."""
    final_rate: float = 0.01
    """Share of the learning rate that is left at the end of the cosine."""
    branch_weight: float = 0.3
    """Weight of what each branch is asked on its own, beside the loss of all together."""
    cell_weight: float = 0.0
    """Weight of what the sky picture is asked cell by cell: where trails, motes and ghosts lie."""
    clip_norm: float = 1.0
    """Gradients are scaled down to at most this length."""
    ema: float = 0.998
    """Decay per step of the running average of the weights, which is what is kept."""
    start_share: float = 0.0
    """Share of the weights that a training went on from in those that are kept, see
    `checkpoint.go_back`."""

    validation_frames: int = 512
    """Frames looked at during training, for the progress lines only."""
    calibration_frames: int = 4096
    """Frames that set calibration, thresholds and unfamiliarity; never trained on."""
    clean_frames: int = 2048
    """Frames of clean runs, no fault in any of them, that set the thresholds with those above; 0
    leaves them out."""
    evaluation_frames: int = 6144
    """Frames that give the card's figures; never trained on nor calibrated on."""
    held_out_share: float = 0.25
    """At most this share of `minutes` goes into rendering the held-out frames."""
    report_every_s: float = 20.0
    """Seconds between progress lines."""
    save_every_s: float = 60.0
    """Seconds between checkpoints."""

    prior: float = 0.05
    """Share of a real night's frames that each fault is taken to have, for the confidences."""
    clean_alarms: float = 0.01
    """At most this share of clean frames may get any label at all."""
    clean_unsure: float = 0.05
    """At most this share of clean frames may have any label even perhaps."""
    unfamiliar_threshold: float = 0.9
    """Unfamiliarity from which a frame is to be looked at whatever its labels."""

    pretrain: PretrainConfig = PretrainConfig()
    """Training of the star branch on its own, see PretrainConfig."""
    network: dict[str, Any] = field(default_factory=dict)
    """Fields of classifier.network.NetworkConfig that differ from its own defaults."""

    def __post_init__(self) -> None:
        if (self.minutes is None) == (self.steps is None):
            raise UsageError(
                f"Exactly one of minutes and steps sets the length of a training, and minutes is "
                f"{self.minutes} with steps {self.steps}; leave one of them out."
            )
        if not self.name or set(self.name) & set("/\\:") or self.name.startswith("."):
            raise UsageError(f"name is {self.name!r}; give a plain folder name.")
        _at_least(self, 1, "render_batch", "batch", "buffer_frames", "renderers")
        _at_least(self, 0, "workers", "clean_frames")
        if not self.stars_in_training or not all(1 <= n <= 64 for n in self.stars_in_training):
            raise UsageError(
                f"stars_in_training is {list(self.stars_in_training)}; give numbers from 1 to 64."
            )
        _at_least(self, 1, "validation_frames", "calibration_frames", "evaluation_frames")
        _above_zero(
            self,
            "learning_rate",
            "clip_norm",
            "reuse",
            "largest_batch_mpx",
            "report_every_s",
            "save_every_s",
        )
        if self.minutes is not None:
            _above_zero(self, "minutes")
        if self.steps is not None:
            _at_least(self, 0, "steps")
        _at_least(self, 0, "branch_weight", "cell_weight")
        _share(self, "physical_dropout", "context_dropout", "warm_up", "final_rate", "ema")
        _share(self, "held_out_share", "prior", "clean_alarms", "clean_unsure")
        _share(self, "unfamiliar_threshold", "graft_share", "lone_share", "start_share")
        if self.lone_share and self.render_batch > MOST_RUNS:
            raise UsageError(
                f"render_batch is {self.render_batch} with lone_share {self.lone_share}; of frames "
                f"that are each a run a batch has at most {MOST_RUNS}, or the next would show the "
                "same fields again."
            )
        if len(self.shape_weights) != len(self.shapes) or min(self.shape_weights) <= 0:
            raise UsageError(
                f"shape_weights is {list(self.shape_weights)}; give one number above 0 for each "
                f"of the {len(self.shapes)} shapes."
            )
        for shape in self.shapes:
            if len(shape) != 2 or min(shape) < 128 or shape[0] % 2 or shape[1] % 2:
                raise UsageError(
                    f"shapes has {list(shape)}; each shape is an even height and width of at "
                    "least 128 px."
                )

        try:
            NetworkConfig(**self.network)
        except (TypeError, ValueError) as error:
            names = ", ".join(entry.name for entry in dataclasses.fields(NetworkConfig))
            told = str(error).removeprefix("NetworkConfig.__init__() ")
            raise UsageError(
                f"[network] is no network: {told}; its settings are {names}."
            ) from error

    @property
    def lines(self) -> int:
        """How the network looks along the lines of a frame, as `NetworkConfig.lines` says."""
        return int(self.network.get("lines", 0))

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON; fields that are None are left out."""
        values = dataclasses.asdict(self)
        return {name: value for name, value in values.items() if value is not None}

    def changed(self, **changes: Any) -> "TrainConfig":
        """A copy with the changes that are not None; giving minutes unsets steps and back."""
        given = {name: value for name, value in changes.items() if value is not None}
        if "minutes" in given and "steps" not in given:
            given["steps"] = None
        elif "steps" in given and "minutes" not in given:
            given["minutes"] = None
        return config_from(dataclasses.asdict(self) | given, "the command line")


def read_train_config(path: str | Path) -> TrainConfig:
    """A TOML file -> TrainConfig. Raises UsageError."""
    try:
        values = tomllib.loads(Path(path).read_text(encoding="utf-8"))
    except (OSError, tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UsageError(
            f"The training settings {path} cannot be read ({error}); give a TOML file such as "
            "training/configs/tiny.toml."
        ) from error
    return config_from(values, str(path))


def config_from(values: dict[str, Any], origin: str) -> TrainConfig:
    """Plain values -> TrainConfig; a key that is none of its fields is an error."""
    _check_names(values, TrainConfig, origin)
    values = dict(values)
    if isinstance(values.get("pretrain"), dict):
        table, where = values["pretrain"], f"{origin}, [pretrain],"
        _check_names(table, PretrainConfig, where)
        for name, value in table.items():
            _check_type(name, value, getattr(PretrainConfig, name), where)
        values["pretrain"] = PretrainConfig(**table)
    try:
        if "shapes" in values:
            values["shapes"] = tuple((int(h), int(w)) for h, w in values["shapes"])
        if "stars_in_training" in values:
            values["stars_in_training"] = tuple(int(n) for n in values["stars_in_training"])
        if "shape_weights" in values:
            values["shape_weights"] = tuple(float(weight) for weight in values["shape_weights"])
    except (TypeError, ValueError) as error:
        raise UsageError(
            f"{origin} sets shapes or shape_weights to something else than lists of numbers "
            f"({error}); write shapes = [[1024, 1536]] and shape_weights = [1.0]."
        ) from error
    for name, value in values.items():
        _check_type(name, value, getattr(TrainConfig, name, None), origin)
    return TrainConfig(**values)


def _check_names(values: dict[str, Any], settings: type, origin: str) -> None:
    known = [entry.name for entry in dataclasses.fields(settings)]
    unknown = sorted(set(values) - set(known))
    if unknown:
        raise UsageError(
            f"{origin} sets {unknown[0]!r}, which is no training setting; the settings are "
            f"{', '.join(known)}."
        )


def _check_type(name: str, value: Any, example: Any, origin: str) -> None:
    """A value must be of the kind that the field's default is; whole numbers serve as floats."""
    wanted = {"minutes": float, "steps": int, "network": dict}.get(name, type(example))
    kinds = (int, float) if wanted is float else (wanted,)
    fits = isinstance(value, kinds) and (wanted is bool) == isinstance(value, bool)
    if value is None and name in ("minutes", "steps"):
        return
    if not fits:
        raise UsageError(f"{origin} sets {name} to {value!r}; it must be a {wanted.__name__}.")


def _at_least(config: TrainConfig, lowest: int, *names: str) -> None:
    for name in names:
        if getattr(config, name) < lowest:
            raise UsageError(f"{name} is {getattr(config, name)}; it must be {lowest} or more.")


def _above_zero(config: TrainConfig, *names: str) -> None:
    for name in names:
        if not getattr(config, name) > 0:
            raise UsageError(f"{name} is {getattr(config, name)}; it must be above 0.")


def _share(config: TrainConfig, *names: str) -> None:
    for name in names:
        if not 0 <= getattr(config, name) < 1:
            raise UsageError(
                f"{name} is {getattr(config, name)}; it must be 0 or more and below 1."
            )
