"""Model folders: find them, load them, check them, and turn logits into confidences.

A model is a folder of three files: `weights.safetensors` (16-bit floats), `config.json` (input
contract, label order, calibration, thresholds, sha256 of the weights) and `card.md` (how it was
made and how good it is). Nothing is downloaded. A folder that does not fit this program's
vocabulary or views is refused in one sentence instead of giving wrong labels.
"""

import hashlib
import json
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import torch
from safetensors.torch import load_file
from torch import Tensor

from classifier.context import CONTEXT, FIRST
from classifier.errors import ModelError
from classifier.network import Network, NetworkConfig, folded
from classifier.prior import LOWEST_THRESHOLD, LOWEST_UNSURE
from classifier.sheet import SHAPE_FACTS
from classifier.views import FACT_COUNT, PHYSICAL, SKY_CHANNELS
from classifier.vocabulary import KEYS, VOCABULARY_VERSION

SCHEMA = "nightcull/model-1"
WEIGHTS_FILE = "weights.safetensors"
CONFIG_FILE = "config.json"
CARD_FILE = "card.md"
DEFAULT_FILE = "default.txt"
NETWORK_PREFIX = "network."
# Real frames lie farther from rendered ones than these from one another: of 47 good real subs three
# lay beyond the 99th percentile, one of them beyond one and a half times as far, and what is no sky
# and lay there was known for strange by what the network has learnt.
FARTHER = 1.5


def inputs_of(on_scales: bool) -> dict[str, Any]:
    """What a network's inputs are called, in order: a model is only valid for exactly these.

    on_scales: `NetworkConfig.scales`, whether it hears all of the numbers beside the run."""
    return {
        "physical": list(PHYSICAL),
        "shape_facts": list(SHAPE_FACTS),
        "context": list(CONTEXT if on_scales else FIRST),
        "facts": FACT_COUNT,
        "sky_channels": SKY_CHANNELS,
    }


@dataclass
class Model:
    """A loaded model: `network` in eval mode on the CPU, `config` as read from config.json.

    centre (D,) and whitening (D, D) describe the features of frames like those trained on.
    """

    name: str
    folder: Path
    network: Network
    config: dict[str, Any]
    centre: Tensor
    whitening: Tensor

    @property
    def thresholds(self) -> dict[str, float]:
        """Confidence from which each label is given."""
        return self.config["thresholds"]

    @property
    def unsure(self) -> dict[str, float]:
        """Confidence from which each label is perhaps there."""
        return self.config["unsure"]

    @property
    def prior(self) -> dict[str, float]:
        """Share of the frames that each fault is taken to have."""
        return self.config["prior"]

    @property
    def sha256(self) -> str:
        return self.config["weights_sha256"]

    @cached_property
    def encoder(self) -> Network:
        """The network for encoding single frames on a CPU: the same features, sooner."""
        return folded(self.network)

    @cached_property
    def _calibration(self) -> tuple[Tensor, Tensor]:
        """Scale and offset per label: Platt's two numbers, the prior shift in the offset."""
        fitted = [self.config["calibration"][key] for key in KEYS]
        scale = torch.tensor([row["a"] for row in fitted])
        offset = torch.tensor([row["b"] for row in fitted])
        return scale, offset + prior_shift(self.config["prevalence"], self.config["prior"])

    def confidences(self, logits: Tensor) -> Tensor:
        """Logits (B, 16) -> calibrated confidences (B, 16) in [0, 1]."""
        scale, offset = self._calibration
        logits = logits.float()
        return torch.sigmoid(scale.to(logits.device) * logits + offset.to(logits.device))

    def with_prior(self, prior: dict[str, float]) -> "Model":
        """The same model for nights on which faults have these shares of the frames.

        Labels left out keep their share. Two promises stand behind a threshold. At most so many
        clean frames carry a false label: that is a cut on the evidence in the frame, which no
        prior changes, so the cut on confidence moves along by the same step in log odds. And
        no label is given below even odds: that is a matter of belief, so a threshold that would
        move below it stays there, and a fault said to be rare is labelled less often. A fault
        said to be common gets higher confidences but no label from less evidence, as the clean
        frames of such a night are no different. Unsure levels move likewise, down to 20 %.
        What a verdict asks beyond labels (90 % sure) is belief too, and follows the prior.
        """
        merged = {**self.config["prior"], **prior}
        before = prior_shift(self.config["prevalence"], self.config["prior"])
        after = prior_shift(self.config["prevalence"], merged)
        step = dict(zip(KEYS, (after - before).tolist(), strict=True))
        moved = {
            name: {key: _move(level, step[key], least) for key, level in self.config[name].items()}
            for name, least in (("thresholds", LOWEST_THRESHOLD), ("unsure", LOWEST_UNSURE))
        }
        return replace(self, config={**self.config, **moved, "prior": merged})

    def distance(self, features: Tensor) -> Tensor:
        """Features (B, D) -> (B,) root mean square of the whitened offset; 1 is usual."""
        centred = features.float().cpu() - self.centre
        return (centred @ self.whitening).square().mean(1).sqrt()

    def unfamiliar(self, features: Tensor) -> Tensor:
        """Features (B, D) -> (B,) in [0, 1): how unlike the training sky a frame is.

        The larger of two answers. By distance: 0 up to the median of frames like those trained
        on, one half as far beyond it as FARTHER times their 99th percentile, and the remaining
        gap to 1 halves with every further such step. By what the network learned of things that
        are no star field: the threshold at `cut`, which hardly a rendered star field reaches.
        """
        marks = self.config["unfamiliar"]
        step = FARTHER * max(marks["q99"] - marks["median"], 1e-6)
        excess = ((self.distance(features) - marks["median"]) / step).clamp_min(0.0)
        at_cut = torch.logit(torch.tensor(self.config["unfamiliar_threshold"]))
        with torch.inference_mode():
            where = next(self.network.parameters()).device
            logit = self.network.strangeness(features.float().to(where)).cpu()
        learned = torch.sigmoid(logit - marks["cut"] + at_cut)
        return torch.maximum(1.0 - torch.exp2(-excess), learned)


def prior_shift(prevalence: dict[str, float], prior: dict[str, float]) -> Tensor:
    """(16,) to add to logits calibrated at `prevalence` so that they hold at `prior`.

    Bayes' rule on the odds: odds' = odds x (pi' / (1 - pi')) / (pi / (1 - pi)). Shares of 0 or 1
    (nothing to shift) are held a thousandth away from the ends.
    """
    old = torch.tensor([prevalence[key] for key in KEYS], dtype=torch.float64).clamp(1e-3, 0.999)
    new = torch.tensor([prior[key] for key in KEYS], dtype=torch.float64).clamp(1e-3, 0.999)
    return (torch.logit(new) - torch.logit(old)).float()


def _move(level: float, step: float, least: float) -> float:
    """A level moved by a step in log odds, not below `least` unless it lay there before."""
    if step == 0:
        return level
    bounded = torch.tensor(level, dtype=torch.float64).clamp(1e-9, 1 - 1e-9)
    return max(float(torch.sigmoid(torch.logit(bounded) + step)), min(level, least))


def models_dir() -> Path:
    """The folder of models: the installed one, else the checkout's `models/`."""
    packaged = Path(__file__).resolve().parent / "models"
    return packaged if packaged.is_dir() else packaged.parent.parent / "models"


def list_models() -> list[str]:
    """Names of the models at hand, sorted."""
    folder = models_dir()
    if not folder.is_dir():
        return []
    return sorted(entry.name for entry in folder.iterdir() if (entry / CONFIG_FILE).is_file())


def default_model() -> str:
    """Name of the model that is used when none is asked for."""
    told = models_dir() / DEFAULT_FILE
    name = told.read_text(encoding="utf-8").strip() if told.is_file() else ""
    if not name:
        raise ModelError(
            f"No default model is named in {told.name} of the models folder; give one with "
            "--model, or train one with 'nightcull train'."
        )
    return name


def find_model(name_or_path: str | Path | None = None) -> Path:
    """The folder of a model, by name, by path, or the default one."""
    if name_or_path is None:
        name_or_path = default_model()
    at_hand = models_dir() / str(name_or_path)
    for folder in (at_hand, Path(name_or_path)):
        if (folder / CONFIG_FILE).is_file():
            return folder
    if Path(name_or_path).is_dir():
        raise ModelError(
            f"The folder {name_or_path} has no {CONFIG_FILE}, so it is no model folder; give a "
            "folder that 'nightcull train' or 'nightcull retrain' wrote."
        )
    known = ", ".join(list_models()) or "none"
    raise ModelError(
        f"There is no model called {str(name_or_path)!r}; at hand: {known}; or give the path of "
        "a model folder."
    )


def load_model(name_or_path: str | Path | None = None) -> Model:
    """Load and check a model folder; None loads the default. Raises ModelError."""
    folder = find_model(name_or_path)
    config = read_config(folder)
    tensors = _read_tensors(folder, config)
    try:
        network = Network(NetworkConfig(**config["network"]))
        network.load_state_dict(network_state(tensors))
        centre, whitening = tensors["unfamiliar.centre"], tensors["unfamiliar.whitening"]
    except (TypeError, KeyError, ValueError, RuntimeError) as error:
        first = str(error).splitlines()[0]
        raise ModelError(
            f"The model {folder.name} does not fit this program's network ({first}); use a model "
            "made with this version."
        ) from error
    network.eval().requires_grad_(False)
    return Model(folder.name, folder, network, config, centre.float(), whitening.float())


def network_state(tensors: dict[str, Tensor]) -> dict[str, Tensor]:
    """The network's own of a file's tensors, by the names it knows them by, in 32-bit floats."""
    return {
        name.removeprefix(NETWORK_PREFIX): _full(tensor)
        for name, tensor in tensors.items()
        if name.startswith(NETWORK_PREFIX)
    }


def read_config(folder: Path) -> dict[str, Any]:
    """config.json of a model folder, checked against this program. Raises ModelError."""
    try:
        config = json.loads((folder / CONFIG_FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise ModelError(
            f"The {CONFIG_FILE} of the model {folder.name} cannot be read ({error}); copy the "
            "model folder again."
        ) from error
    _check_contract(folder.name, config)
    return config


def _check_contract(name: str, config: Any) -> None:
    if not isinstance(config, dict) or config.get("schema") != SCHEMA:
        found = config.get("schema") if isinstance(config, dict) else type(config).__name__
        raise ModelError(
            f"The model {name} has the format {found!r} where {SCHEMA!r} is needed; use a model "
            "made with this version."
        )
    labels = config.get("labels")
    if config.get("vocabulary_version") != VOCABULARY_VERSION or labels != list(KEYS):
        raise ModelError(
            f"The model {name} was made for vocabulary {config.get('vocabulary_version')} with "
            f"{len(labels or [])} labels, and this program has vocabulary {VOCABULARY_VERSION} "
            f"with {len(KEYS)} in its own order; use a model made with this version."
        )
    tables = ("calibration", "prevalence", "prior", "thresholds", "unsure")
    short = [table for table in tables if set(config.get(table, {})) != set(KEYS)]
    needed = ("network", "weights_sha256", "unfamiliar", "unfamiliar_threshold")
    short += [entry for entry in needed if entry not in config]
    if short:
        raise ModelError(
            f"The {CONFIG_FILE} of the model {name} lacks {short[0]!r} or a part of it; copy the "
            "model folder again."
        )
    network = config["network"]
    on_scales = isinstance(network, dict) and bool(network.get("scales"))
    for part, expected in inputs_of(on_scales).items():
        if config.get("input", {}).get(part) != expected:
            raise ModelError(
                f"The model {name} expects other {part.replace('_', ' ')} than this program "
                "gives; use a model made with this version."
            )


def _read_tensors(folder: Path, config: dict[str, Any]) -> dict[str, Tensor]:
    path = folder / WEIGHTS_FILE
    try:
        found = file_sha256(path)
        if found != config["weights_sha256"]:
            raise ModelError(
                f"The weights of the model {folder.name} have the sha256 {found[:12]}... where "
                f"{config['weights_sha256'][:12]}... is written in its {CONFIG_FILE}; copy the "
                "model folder again."
            )
        return load_file(path)
    except OSError as error:
        raise ModelError(
            f"The weights of the model {folder.name} cannot be read ({error}); copy the model "
            "folder again."
        ) from error


def file_sha256(path: Path) -> str:
    """Hexadecimal sha256 of a file's bytes."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _full(tensor: Tensor) -> Tensor:
    return tensor.float() if tensor.is_floating_point() else tensor
