"""The commands that make and judge models, for the command line to register.

Thin: parse, call one function, print. Heavy imports live inside the functions, so that
`nightcull --help` does not wait for them.
"""

from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from classifier.errors import UsageError
from classifier.shared_options import RigFile
from synth.commands import atlas

Device = Annotated[str | None, typer.Option(help="cpu, cuda or auto (a GPU if there is one).")]


def render(
    out: Annotated[Path, typer.Option(help="New folder for the subs and their truth table.")],
    frames: Annotated[
        int | None, typer.Option(min=1, help="Subs to render; default: 8, a night: 40.")
    ] = None,
    fault: Annotated[
        list[str] | None,
        typer.Option(help="Fault that every sub gets; may be repeated. Default: a mixture."),
    ] = None,
    night: Annotated[
        list[str] | None,
        typer.Option(
            metavar="CAUSE",
            help="A coherent night with this true cause (a name, random or clear); may be "
            "repeated. Its truth goes to truth.json.",
        ),
    ] = None,
    clean: Annotated[bool, typer.Option("--clean", help="Subs without any fault.")] = False,
    width: Annotated[int, typer.Option(min=256, help="Pixels.")] = 1536,
    height: Annotated[int, typer.Option(min=256, help="Pixels.")] = 1024,
    seed: Annotated[int, typer.Option(help="The same seed gives the same subs.")] = 1,
    colour: Annotated[
        bool | None, typer.Option("--colour/--mono", help="Colour mosaic or not; default: drawn.")
    ] = None,
    device: Annotated[str, typer.Option(help="cpu or cuda.")] = "cpu",
) -> None:
    """Render labelled synthetic subs as FITS, with recipe and seed in the header."""
    wanted = list(fault or ())
    if clean and wanted:
        raise UsageError("--clean and --fault contradict each other; give one of them.")
    if night and (clean or wanted):
        raise UsageError("--night brings its own faults; leave --fault and --clean out.")

    from rich.console import Console
    from rich.progress import Progress

    from synth.files import TRUTH_NAME
    from synth.generate import RUN_FRAMES
    from synth.night_files import NIGHT_TRUTH_NAME, render_night
    from synth.render import render as render_subs

    faults = wanted if wanted or clean else None
    frames = frames or (40 if night else 8)
    console = Console(stderr=True)
    with Progress(console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task("Rendering", total=frames)
        if night:
            render_night(
                out,
                frames,
                night,
                width,
                height,
                colour,
                seed,
                device,
                lambda done, *_: bar.update(task, completed=done),
            )
            typer.echo(out / NIGHT_TRUTH_NAME)
            return
        # A run at a time: its frames share rig and field, and memory stays small.
        render_subs(
            out,
            frames,
            faults,
            width,
            height,
            colour,
            seed,
            device,
            lambda done, *_: bar.update(task, completed=done),
            batch_frames=RUN_FRAMES,
        )
    typer.echo(out / TRUTH_NAME)


def train(
    out: Annotated[Path, typer.Option(help="Folder for the log and the new model's folder.")],
    config: Annotated[
        Path | None,
        typer.Option(help="TOML file of settings; default: those of the shipped model."),
    ] = None,
    minutes: Annotated[float | None, typer.Option(help="Time for the whole run.")] = None,
    steps: Annotated[int | None, typer.Option(help="Training steps, instead of minutes.")] = None,
    device: Device = None,
    name: Annotated[str | None, typer.Option(help="Name of the new model.")] = None,
    seed: Annotated[int | None, typer.Option(help="Seed of everything random.")] = None,
    start_from: Annotated[Path | None, typer.Option(help="Checkpoint to go on from.")] = None,
    real_frames: Annotated[
        Path | None,
        typer.Option(help="Real good subs that faults are grafted onto, with graft_share."),
    ] = None,
) -> None:
    """Train a model from rendered subs; calibrate it, judge it, write it with its card."""
    import shlex
    import sys

    from training.config import read_train_config
    from training.train import train as run

    path = config or Path(__file__).parent / "configs" / "ten-minutes.toml"
    given = {"minutes": minutes, "steps": steps, "device": device, "name": name, "seed": seed}
    settings = read_train_config(path).changed(**given)
    command = shlex.join(["nightcull", *sys.argv[1:]])
    typer.echo(run(settings, out, start_from, command=command, real_frames=real_frames))


def evaluate(
    model: Annotated[str | None, typer.Option(help="Model name or folder.")] = None,
    config: Annotated[
        Path | None,
        typer.Option(
            help="TOML file of settings: seed and shapes of the subs; default: the model's own."
        ),
    ] = None,
    frames: Annotated[
        int | None,
        typer.Option(
            min=0, help="Rendered subs to judge on; 0: take the figures in the model's folder."
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="JSON file for all figures; a page goes beside it.")
    ] = None,
    page: Annotated[Path | None, typer.Option(help="HTML file for the page of pictures.")] = None,
    grafts: Annotated[
        Path | None,
        typer.Option(help="Folder of real good subs: judge on faults grafted onto them as well."),
    ] = None,
    graft_frames: Annotated[int, typer.Option(min=4, help="Grafted subs to judge on.")] = 480,
    real: Annotated[
        Path | None, typer.Option(help="Folder of real subs to label and judge; needs --truth.")
    ] = None,
    truth: Annotated[
        Path | None,
        typer.Option(help="Table of what is true of the real subs, as for `compare --against`."),
    ] = None,
    measured: Annotated[
        int, typer.Option(min=0, help="Subs on which to judge the measures beside the model.")
    ] = 0,
    beside: Annotated[
        str | None,
        typer.Option(
            metavar="MODEL", help="Former model to judge the same rendered subs, to compare with."
        ),
    ] = None,
    card: Annotated[
        bool,
        typer.Option(
            "--card", help="Put the figures into the model's folder and write its card anew."
        ),
    ] = False,
    device: Device = None,
) -> None:
    """Judge a model on rendered, grafted and real subs that nobody trained or calibrated on."""
    from rich.console import Console

    from training.card_comparisons import former_line
    from training.config import read_train_config
    from training.evaluation_tables import common_table, fault_table, measured_table
    from training.judge import Wanted
    from training.judge import judge as run
    from training.side_by_side import overviews

    wanted = Wanted(frames, grafts, graft_frames, real, truth, measured, out, page, card, beside)
    settings = read_train_config(config) if config else None
    figures = run(model, wanted, settings, device, say=lambda line: typer.echo(line, err=True))
    console = Console(highlight=False)
    macro = figures["macro_average_precision"]
    console.print(fault_table(figures))
    console.print(
        f"{figures['model']}: macro average precision {macro['value']:.3f} "
        f"({macro['low']:.3f} to {macro['high']:.3f}) on {figures['frames']} rendered subs; "
        f"{100 * figures['clean_with_any_label']:.1f} % of {figures['clean_frames']} clean ones "
        "carry a label."
    )
    if "former" in figures:
        console.print(former_line(figures))
    if overviews(figures):
        console.print(common_table(figures))
    for group, false in figures.get("grafted", {}).get("false_by_group", {}).items():
        told = ", ".join(f"{key} {100 * share:.0f} %" for key, share in false.items())
        console.print(f"falsely labelled in {group}: {told or 'nothing'}")
    for row in figures.get("real", {}).get("judged_wrong", []):
        console.print(
            f"real, {row['path']}: {row['verdict']}, labelled {row['labels'] or 'clean'}, is "
            f"{row['truth'] or 'clean'}"
        )
    if "measured" in figures:
        console.print(measured_table(figures["measured"]))
    if wanted.page_path is not None:
        console.print(f"page: {wanted.page_path}")


def realism(
    folder: Annotated[Path, typer.Argument(help="Folder of real good subs.")],
    model: Annotated[str | None, typer.Option(help="Model name or folder.")] = None,
    windows: Annotated[int, typer.Option(min=1, help="Windows of each real sub.")] = 4,
    seed: Annotated[int, typer.Option(help="Seed of the rendered subs.")] = 1,
    out: Annotated[Path | None, typer.Option(help="JSON file for all figures.")] = None,
) -> None:
    """Tell how far rendered clean subs are from real ones: noise, stars, counts, a classifier."""
    from training.realism import lines
    from training.realism import realism as run

    figures = run(
        folder, model, seed, windows, out=out, say=lambda line: typer.echo(line, err=True)
    )
    for line in lines(figures):
        typer.echo(line)


def retrain(
    folder: Annotated[
        Path, typer.Argument(help="Your subs, sorted: a folder per fault key, and `good`.")
    ],
    out: Annotated[Path, typer.Option(help="Folder for the new model's folder.")] = Path(
        "nightcull-models"
    ),
    model: Annotated[str | None, typer.Option(help="Model to start from, name or folder.")] = None,
    name: Annotated[str | None, typer.Option(help="Name of the new model.")] = None,
    rig: RigFile = None,
    seed: Annotated[int, typer.Option(help="Seed of the division into parts.")] = 1,
    workers: Annotated[
        int | None, typer.Option(min=1, help="Processes that read subs; default: one per core.")
    ] = None,
) -> None:
    """Tune a model on your own rejects; the new one is kept only if it is better."""
    import os

    from classifier.rig import read_rig
    from training.retrain import retrain as run

    facts = read_rig(rig) if rig else None
    outcome = run(
        folder,
        out,
        model,
        name,
        facts,
        seed,
        say=lambda line: typer.echo(line, err=True),
        workers=workers or os.cpu_count() or 1,
    )
    for line in outcome.lines():
        typer.echo(line)


COMMANDS: tuple[Callable[..., None], ...] = (retrain, render, atlas, train, evaluate, realism)
