"""The commands that make and judge models, for the command line to register.

Thin: parse, call one function, print. Heavy imports live inside the functions, so that
`nightcull --help` does not wait for them.
"""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from classifier.errors import UsageError
from classifier.shared_options import RigFile
from synth.commands import atlas

if TYPE_CHECKING:
    from rich.table import Table

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
) -> None:
    """Train a model from rendered subs; calibrate it, judge it, write it with its card."""
    import shlex
    import sys

    from training.config import read_train_config
    from training.train import train as run

    path = config or Path(__file__).parent / "configs" / "shipped.toml"
    given = {"minutes": minutes, "steps": steps, "device": device, "name": name, "seed": seed}
    settings = read_train_config(path).changed(**given)
    command = shlex.join(["nightcull", *sys.argv[1:]])
    typer.echo(run(settings, out, start_from, command=command))


def evaluate(
    model: Annotated[str | None, typer.Option(help="Model name or folder.")] = None,
    config: Annotated[
        Path | None,
        typer.Option(
            help="TOML file of settings: seed and shapes of the subs; default: the model's own."
        ),
    ] = None,
    frames: Annotated[int | None, typer.Option(min=1, help="Subs to judge on.")] = None,
    out: Annotated[Path | None, typer.Option(help="JSON file for all figures.")] = None,
    grafts: Annotated[
        Path | None,
        typer.Option(help="Folder of real good subs: judge on faults grafted onto them as well."),
    ] = None,
    graft_frames: Annotated[int, typer.Option(min=4, help="Grafted subs to judge on.")] = 480,
    measured: Annotated[
        int, typer.Option(min=0, help="Subs on which to judge the measures beside the model.")
    ] = 0,
    device: Device = None,
) -> None:
    """Judge a model on rendered subs that nobody trained or calibrated on."""
    from rich.console import Console

    from training.config import read_train_config
    from training.judge import judge as run

    settings = read_train_config(config) if config else None
    figures = run(model, settings, frames, out, device, grafts, graft_frames, measured)
    console = Console(highlight=False)
    for name, part in (("rendered", figures), ("grafted", figures.get("grafted"))):
        if part is None:
            continue
        macro = part["macro_average_precision"]
        console.print(figures_table(part))
        console.print(
            f"{figures['model']}: macro average precision {macro['value']:.3f} "
            f"({macro['low']:.3f} to {macro['high']:.3f}) on {part['frames']} {name} subs; "
            f"{100 * part['clean_with_any_label']:.1f} % of {part['clean_frames']} clean ones "
            "carry a label."
        )
    if "grafted" in figures:
        console.print(side_by_side(figures, figures["grafted"]))
        for group, false in figures["grafted"]["false_by_group"].items():
            told = ", ".join(f"{key} {100 * share:.0f} %" for key, share in false.items())
            console.print(f"falsely labelled in {group}: {told or 'nothing'}")
    if "measured" in figures:
        console.print(measured_table(figures["measured"]))


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


def figures_table(figures: dict[str, Any]) -> "Table":
    """The figures per fault as a table for people."""
    from rich.table import Table

    table = Table(box=None, padding=(0, 2))
    table.add_column("fault")
    for title in ("positives", "average precision", "recall", "false alarms", "calibration error"):
        table.add_column(title, justify="right")
    for key, row in figures["faults"].items():
        low, high = row["average_precision_interval"]
        table.add_row(
            key,
            str(row["positives"]),
            f"{row['average_precision']:.3f} ({low:.2f} to {high:.2f})",
            f"{row['recall']:.2f}",
            f"{row['false_alarms']:.3f}",
            f"{row['calibration_error']:.3f}",
        )
    return table


def side_by_side(rendered: dict[str, Any], grafted: dict[str, Any]) -> "Table":
    """Average precision and false alarms on clean subs, rendered beside grafted."""
    from rich.table import Table

    table = Table(box=None, padding=(0, 1))
    table.add_column("fault", no_wrap=True)
    for title in ("AP rendered", "AP grafted", "false rendered", "grafted"):
        table.add_column(title, justify="right", no_wrap=True)
    for key, row in rendered["faults"].items():
        other = grafted["faults"][key]
        low, high = other["average_precision_interval"]
        table.add_row(
            key,
            f"{row['average_precision']:.2f}",
            f"{other['average_precision']:.2f} ({low:.2f} to {high:.2f})",
            f"{row['false_alarms_on_clean']:.3f}",
            f"{other['false_alarms_on_clean']:.3f}",
        )
    return table


def measured_table(figures: dict[str, Any]) -> "Table":
    """Average precision of network, measures and both, and what the measures add to it."""
    from rich.table import Table

    title = f"Average precision on {figures['frames']} subs labelled as files"
    table = Table(title=title, title_justify="left", box=None, padding=(0, 1))
    table.add_column("fault", no_wrap=True)
    answers = ("network", "verdicts", "forest", "paired", "together")
    for name in (*answers, "gained by pairing"):
        table.add_column(name, justify="right", no_wrap=True)
    for key, row in figures["faults"].items():
        values = (f"{row[name]['average_precision']:.2f}" for name in answers)
        table.add_row(key, *values, _gained(row["gain"]["paired"]))
    macro = figures["macro_average_precision"]
    values = (f"{macro[name]['value']:.2f}" for name in answers)
    table.add_row("mean", *values, _gained(macro["gain"]["paired"]), style="bold")
    return table


def _gained(gain: dict[str, Any]) -> str:
    low, high = gain["interval"]
    return f"{gain['value']:+.2f} ({low:+.2f} to {high:+.2f})"


COMMANDS: tuple[Callable[..., None], ...] = (retrain, render, atlas, train, evaluate, realism)
