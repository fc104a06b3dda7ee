"""Training from nothing to a model folder, top to bottom.

    python -m training.train --config training/configs/ten-minutes.toml --out DIR

1. Render the held-out frames: validation (progress lines), calibration, evaluation.
2. Learn from an endless stream of rendered frames until the time or the steps are up.
3. Keep the running average of the weights, rounded as stored; calibrate it on the second set.
4. Write the model folder, load it back as a user would, evaluate that on the third set.
5. Write the card from those figures.

DIR gets `checkpoint.safetensors` (removed when the model folder stands) and `train.jsonl` (one
line per progress report): a run cut short leaves what it learnt, for `--start-from` to train on.
Beside the model folder stay the answers on the held-out frames, for `training.recalibrate`.
"""

import json
import shlex
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import torch
import typer

from classifier.errors import NightcullError, UsageError
from classifier.network import Network, NetworkConfig
from classifier.vocabulary import KEYS
from classifier.weights import load_model
from synth.rng import stream
from training.ablation import Ablated, ablated, ablation_figures
from training.calibrate import is_clear
from training.card import card_text
from training.checkpoint import (
    begin,
    go_back,
    made_before,
    without_places,
    write_checkpoint,
)
from training.company import as_learnt
from training.config import TrainConfig, read_train_config
from training.data import (
    CALIBRATION,
    CLEAN,
    EVALUATION,
    TRAINING,
    VALIDATION,
    Buffer,
    Sample,
)
from training.evaluate import Answers, answer, figures_of, pick_device, read_figures, write_figures
from training.export import (
    EVALUATION_FILE,
    as_stored,
    calibrated,
    write_card,
    write_config,
    write_model,
)
from training.graft_batches import GraftedSample, GraftStream, graft_stream
from training.held_out import first_batch, held_out_streams, rendered_sets
from training.loop import Trainer, rate_at
from training.metrics import average_precision_score
from training.planner import Planner
from training.pretrain import pretrain
from training.ranks import Ranks, join, leave
from training.recalibrate import keep_answers
from training.stream import Stream

Say = Callable[[str], None]

CHECKPOINT = "checkpoint.safetensors"
LOG = "train.jsonl"
# Kept free of training at the end, for calibration, figures and writing.
FINISH_S = 18.0


def say_to_stderr(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


def train(
    config: TrainConfig,
    out: str | Path,
    start_from: str | Path | None = None,
    say: Say = say_to_stderr,
    command: str | None = None,
    ranks: Ranks | None = None,
    real_frames: str | Path | None = None,
) -> Path:
    """Train, calibrate, evaluate and export one model; returns its folder, `out`/<config.name>.

    start_from: a checkpoint or a model's weights to go on from. say: gets progress lines.
    command: the command line as the card shall give it. ranks: this process among those that
    train together; the first reports and writes. real_frames: good frames for `graft_share`, a
    folder or what `training.good_frames.pack` wrote. Raises UsageError and ModelError.
    """
    ranks = ranks or Ranks()
    out, started = Path(out), time.monotonic()
    folder = out / config.name
    if folder.exists():
        raise UsageError(f"{folder} already exists; give another --name or another --out.")
    out.mkdir(parents=True, exist_ok=True)
    device = pick_device(config)
    if device.type == "cuda" and device.index is None:
        # By number: threads of their own would take the first GPU for the nameless one.
        device = torch.device("cuda", torch.cuda.current_device())
    torch.manual_seed(config.seed + ranks.rank)
    network = Network(NetworkConfig(**config.network))
    start = None if start_from is None else Path(start_from)
    began_with = begin(network, start, config.start_share)
    grafts = graft_stream(config, Path(real_frames) if real_frames else None, ranks)
    planner = Planner(config, ranks)
    if config.pretrain.seconds > 0 and start_from is None:
        done = pretrain(network, config, device, pool=planner.pool)
        say(
            f"star cut-outs: {done.steps} steps, {done.cutouts} stars in {done.seconds:.0f} s, "
            f"loss {done.first_loss:.4f} to {done.last_loss:.4f}"
        )
    trainer = Trainer(network, config, device, ranks)
    places = {str(out): "DIR", str(real_frames): "FILE", str(start_from): "START"}
    command = without_places(command, places)
    before = made_before(start, config.start_share)
    run = Run(config, out, started, trainer, device, say, ranks, grafts, command, before)

    run.tell(f"network of {sum(w.numel() for w in network.parameters()):,} weights on {device}")
    try:
        # Workers draw for all of it from here on, while the device is brought up to speed.
        held_out = held_out_streams(planner, trainer)
        fresh = Stream(planner, TRAINING, device, grafts=grafts)
        if device.type == "cuda":
            trainer.record(first_batch(trainer))
        run.tell("ready to render")
        sets = rendered_sets(held_out, config, run.seconds)
        run.tell_of(sets)
        if start is None:
            trainer.lay_steps(sets[VALIDATION])
        learn(run, fresh, sets[VALIDATION])
    except torch.OutOfMemoryError:
        # What has been learnt is worth calibrating and keeping; before any step nothing is. Of
        # several processes the others would wait for this one: the checkpoint is what is left.
        if trainer.steps == 0 or ranks.world > 1:
            raise
        run.tell("out of memory: training ends here; lower largest_batch_mpx or buffer_frames")
    finally:
        planner.close()
        if grafts is not None:
            grafts.close()

    trainer.settle_average()
    if config.start_share:
        go_back(trainer.average, began_with, config.start_share)
    average = as_stored(trainer.average)
    calibration, clean, evaluation = (
        _answers(run, average, sets[name]) for name in (CALIBRATION, CLEAN, EVALUATION)
    )
    ablations = run.ranks.gather([ablated(average, sample) for sample in sets[EVALUATION]])
    if calibration is None or evaluation is None:
        return folder
    fitted = calibrated(average, calibration, config, clean)
    write_model(folder, average, fitted, config.unfamiliar_threshold, run.record())
    run.tell(f"model written to {folder}; evaluating it")

    model = load_model(folder)
    kept = {CALIBRATION: calibration, CLEAN: clean, EVALUATION: evaluation}
    keep_answers(kept, model.sha256, out / f"{config.name}.npz")
    figures = figures_of(model, evaluation, config.seed)
    parts = [part for own in ablations for part in own]
    figures["ablation"] = ablation_figures(Ablated.cat(parts), config.seed, average.branches)
    write_figures(figures, folder / EVALUATION_FILE)
    # The card is made of the figures as written, so that it can be made again from the file.
    figures = read_figures(folder / EVALUATION_FILE)
    model.config["training"]["minutes"] = run.seconds() / 60
    write_config(folder, model.config)
    write_card(folder, card_text(model.config, figures))
    (out / CHECKPOINT).unlink(missing_ok=True)
    macro = figures["macro_average_precision"]["value"]
    worst = figures["lowest_average_precision"]
    run.tell(f"macro average precision {macro:.3f}; lowest {worst['fault']} {worst['value']:.3f}")
    return folder


@dataclass
class Run:
    """What one training run carries along: settings, clock, trainer, counts."""

    config: TrainConfig
    out: Path
    started: float
    trainer: Trainer
    device: torch.device
    say: Say
    ranks: Ranks
    grafts: GraftStream | None = None
    command: str | None = None
    before: dict[str, Any] = field(default_factory=dict)
    rendered: int = 0
    grafted: int = 0
    left_out: int = 0
    timings: dict[str, float] = field(
        default_factory=lambda: {"render": 0.0, "learn": 0.0, "draw": 0.0}
    )

    def seconds(self) -> float:
        return time.monotonic() - self.started

    def tell(self, line: str) -> None:
        if self.ranks.is_first:
            self.say(f"{self.seconds():6.1f} s  {line}")

    def tell_of(self, sets: dict[str, list[Sample]]) -> None:
        """How many frames are held out, by all processes."""
        everybody = {
            n: self.ranks.mean(sum(map(len, p))) * self.ranks.world for n, p in sets.items()
        }
        counts = ", ".join(f"{count:.0f} for {name}" for name, count in everybody.items())
        self.tell(f"held-out frames: {counts}")

    def progress(self, learning_since: float) -> float:
        """Share of the training done, 0 to 1, by time or by steps; the same for all processes."""
        if self.config.steps is not None:
            return self.trainer.steps / self.config.steps if self.config.steps else 1.0
        end = 60 * (self.config.minutes or 0) - FINISH_S
        own = (self.seconds() - learning_since) / max(end - learning_since, 1e-6)
        return self.ranks.agree(own)

    def record(self) -> dict[str, Any]:
        """How the model was made, for checkpoint, config.json and card."""
        name = torch.cuda.get_device_name() if self.device.type == "cuda" else "CPU"
        together = {"processes": self.ranks.world} if self.ranks.world > 1 else {}
        return {
            **together,
            "command": self.command or f"training.train.train(config named {self.config.name!r})",
            "device": name,
            "torch": torch.__version__,
            "minutes": self.seconds() / 60,
            "steps": self.trainer.steps,
            "rendered_frames": self.rendered,
            **(self.grafts.record(self.grafted) if self.grafts else {}),
            "settings": self.config.as_dict(),
            **self.before,
        }


def _answers(run: Run, network: Network, samples: list[Sample]) -> Answers | None:
    """What the network says of everybody's samples; None on all processes but the first."""
    own = [answer(network, sample) for sample in samples]
    parts = [part for parts in run.ranks.gather(own) for part in parts]
    return Answers.cat(parts) if parts else None


def learn(run: Run, fresh_frames: Stream, validation: list[Sample]) -> None:
    """Render, store, learn from the store; report and save now and then; until done."""
    config, trainer, ranks = run.config, run.trainer, run.ranks
    rng = stream(config.seed, TRAINING, "order", ranks.rank)
    # Agreed on: processes that differ about when to report wait for one another elsewhere.
    buffer, owed, since = Buffer(config.buffer_frames), 0.0, ranks.agree(run.seconds())
    reported = saved = since
    losses: list[torch.Tensor] = []
    progress = run.progress(since)
    with fresh_frames as rendered:
        while progress < 1:
            began = time.monotonic()
            fresh = next(rendered)
            run.left_out += buffer.add(as_learnt(fresh, trainer.average, config.bf16, rng))
            frames = ranks.mean(len(fresh))
            real = ranks.mean(len(fresh) if isinstance(fresh, GraftedSample) else 0)
            run.grafted += round(real * ranks.world)
            run.rendered += round((frames - real) * ranks.world)
            run.timings["render"] += time.monotonic() - began
            run.timings["draw"] = fresh_frames.awaited_s
            began = time.monotonic()
            owed += config.reuse * frames / config.batch
            # A batch from a nearly empty store would be the same few frames many times over.
            ready = ranks.least(buffer.filled) >= min(config.batch, config.buffer_frames)
            progress = run.progress(since)
            while ready and owed >= 1 and progress < 1:
                sample = buffer.draw(config.batch, rng, config)
                losses.append(trainer.step(sample, rate_at(progress, config)))
                owed -= 1
                progress = run.progress(since)
            if run.device.type == "cuda":
                torch.cuda.current_stream().synchronize()
            run.timings["learn"] += time.monotonic() - began
            now = ranks.agree(run.seconds())
            if now - reported > config.report_every_s and losses:
                reported = now
                report(run, validation, losses, since)
                losses = []
            if now - saved > config.save_every_s:
                saved = now
                save_checkpoint(run)
    if losses:
        report(run, validation, losses, since)
    save_checkpoint(run)


def report(run: Run, validation: list[Sample], losses: list[torch.Tensor], since: float) -> None:
    """One progress line, and the same in full in the log file."""
    loss = run.ranks.mean(float(torch.stack(losses).mean()))
    if not (np.isfinite(loss) and run.trainer.is_sound):
        told = f"weights are no numbers any more after {run.trainer.steps} steps"
        if not run.trainer.return_to_kept():
            raise UsageError(f"In this training {told}; lower learning_rate.")
        return run.tell(f"{told}: on from the weights of the last report")
    run.trainer.settle_average()
    run.trainer.keep()
    answers = _answers(run, run.trainer.average, validation)
    if answers is None:
        return
    precision = {}
    for column, key in enumerate(KEYS):
        clear = is_clear(answers.targets[:, column])
        truth = answers.targets[clear, column] > 0.5
        precision[key] = average_precision_score(truth, answers.beside[clear, column])
    known = {key: value for key, value in precision.items() if np.isfinite(value)}
    macro = float(np.mean(list(known.values()))) if known else float("nan")
    worst = sorted(known, key=lambda key: known[key])[:4]
    rate = run.rendered / max(run.seconds() - since, 1e-6)
    grafted = f" and {run.grafted} grafted" if run.grafts else ""
    run.tell(
        f"step {run.trainer.steps}, {run.rendered} frames at {rate:.0f}/s{grafted} "
        f"(waited for frames {run.timings['render']:.0f} s, these for scenes "
        f"{run.timings['draw']:.0f} s, learnt {run.timings['learn']:.0f} s), "
        f"loss {loss:.4f}, AP {macro:.3f}; " + ", ".join(f"{key} {known[key]:.2f}" for key in worst)
    )
    line = {
        "seconds": round(run.seconds(), 1),
        "step": run.trainer.steps,
        "rendered": run.rendered,
        "grafted": run.grafted,
        "left_out": run.left_out,
        "loss": round(loss, 5),
        "average_precision": {key: round(value, 4) for key, value in known.items()},
    }
    with (run.out / LOG).open("a", encoding="utf-8") as log:
        log.write(json.dumps(line) + "\n")


def save_checkpoint(run: Run) -> None:
    """The running average so far, and how it came about."""
    if run.ranks.is_first and run.trainer.is_sound:
        write_checkpoint(run.out / CHECKPOINT, run.trainer.average, run.record())


def main(
    config: Annotated[Path, typer.Option(help="TOML file of training settings.")],
    out: Annotated[Path, typer.Option(help="Folder for the log and the new model's folder.")],
    minutes: Annotated[float | None, typer.Option(help="Time for the whole run.")] = None,
    steps: Annotated[int | None, typer.Option(help="Training steps, instead of minutes.")] = None,
    device: Annotated[str | None, typer.Option(help="cpu, cuda or auto.")] = None,
    name: Annotated[str | None, typer.Option(help="Name of the new model.")] = None,
    seed: Annotated[int | None, typer.Option(help="Seed of everything random.")] = None,
    start_from: Annotated[Path | None, typer.Option(help="Checkpoint to go on from.")] = None,
    real_frames: Annotated[
        Path | None, typer.Option(help="Real good frames for graft_share: a folder, or packed.")
    ] = None,
) -> None:
    """Train a model from rendered frames; calibrate, evaluate and write it."""
    given = {"minutes": minutes, "steps": steps, "device": device, "name": name, "seed": seed}
    try:
        settings = read_train_config(config).changed(**given)
        words = ["python", "-m", "training.train", *sys.argv[1:]]
        ranks = join()
        if ranks.world > 1:
            words[0:1] = ["torchrun", f"--nproc-per-node={ranks.world}"]
        try:
            command = shlex.join(words)
            folder = train(
                settings, out, start_from, command=command, ranks=ranks, real_frames=real_frames
            )
        finally:
            leave(ranks)
    except NightcullError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(2) from error
    typer.echo(folder)


if __name__ == "__main__":
    typer.run(main)
