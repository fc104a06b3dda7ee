"""The command `nightcull`: parse, call one function, print.

Heavy imports live inside the commands, so that `nightcull --help` answers at once. Data goes to
stdout or to files, progress and warnings to stderr. Exit status: 0 all went well, 3 some files
could not be read (the others are done), 2 the request cannot be carried out, 1 the system failed
(disk full, for instance), 130 interrupted.
"""

import sys
from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from classifier import __version__
from classifier.errors import NightcullError, UsageError
from classifier.planning import COMMANDS as PLANNING_COMMANDS
from classifier.shared_options import (
    BiasFrames,
    Gain,
    MasterDark,
    MasterFlat,
    Offset,
    ReadNoise,
    RigFile,
    known_masters,
    known_rig,
    make_console,
    only_stdout,
)
from training.commands import COMMANDS

if TYPE_CHECKING:
    from rich.console import Console

    from classifier.masters import MasterFiles
    from classifier.results import Results
    from classifier.rig import Rig

EXIT_UNREADABLE = 3
EXIT_USAGE = 2
EXIT_INTERRUPTED = 130

app = typer.Typer(
    name="nightcull",
    help="Labels the faults in deep-sky subs, says how sure it is, and measures the stars as a "
    "second opinion.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

ModelName = Annotated[
    str | None, typer.Option("--model", help="Model name or folder; default: the shipped one.")
]
Workers = Annotated[
    int | None, typer.Option(min=1, help="Processes; default: one per core where it pays.")
]


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"nightcull {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version.")
    ] = False,
) -> None:
    pass


@app.command()
def label(
    folders: Annotated[list[Path], typer.Argument(help="Folders with subs, searched through.")],
    out: Annotated[
        Path | None,
        typer.Option(help="Folder for the results; default: a new nightcull-FOLDER here."),
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over results that are in the --out folder.")
    ] = False,
    json_to: Annotated[
        str | None,
        typer.Option("--json", metavar="-", help="- writes one JSON object per frame to stdout."),
    ] = None,
    workers: Workers = None,
    no_cache: Annotated[
        bool, typer.Option("--no-cache", help="Examine every sub anew and remember none of it.")
    ] = False,
    model: ModelName = None,
    prior: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=SHARE",
            help="Share of the frames that have this fault, as clouds=0.3; NAME may be all; "
            "may be repeated.",
        ),
    ] = None,
    rig: RigFile = None,
    gain: Gain = None,
    read_noise: ReadNoise = None,
    offset: Offset = None,
    bias: BiasFrames = None,
    pixel: Annotated[float | None, typer.Option(help="Side of the camera's pixel, um.")] = None,
    focal_length: Annotated[float | None, typer.Option(help="mm.")] = None,
    aperture: Annotated[float | None, typer.Option(help="mm.")] = None,
    dark: MasterDark = None,
    flat: MasterFlat = None,
) -> None:
    """Label every sub in the folders: keep, look or drop, with the reason."""
    only_stdout(json_to)
    from classifier.prior import read_prior
    from classifier.results import claimed_folder, free_folder, json_lines

    shares = read_prior(prior or [])

    # With --json alone nothing is written; without either, a folder of its own is.
    if out is None and json_to is None:
        first = folders[0].resolve()
        name = first.name if first.is_dir() else first.stem
        out = free_folder(Path(f"nightcull-{name or 'night'}"))
    known = known_rig(
        rig,
        gain_e_adu=gain,
        read_noise_e=read_noise,
        offset_adu=offset,
        pixel_um=pixel,
        focal_mm=focal_length,
        aperture_mm=aperture,
    )
    if bias:
        from classifier.still_frames import rig_with_bias

        known = rig_with_bias(known, bias)
    masters = known_masters(dark, flat, known)
    with claimed_folder(out, replace) if out else nullcontext():
        results = _label(folders, known, model, workers, not no_cache, shares, masters)
    for line in json_lines(results) if json_to else ():
        typer.echo(line)
    # People read the summary where they would look for it: beside data it goes to stderr.
    _finish(results, out, make_console(stderr=json_to is not None))


@app.command()
def demo(
    out: Annotated[
        Path | None, typer.Option(help="Folder for the subs and results; default: a new one here.")
    ] = None,
    frames: Annotated[int, typer.Option(min=4, help="Subs to render.")] = 24,
    seed: Annotated[int, typer.Option(help="Another seed, another night.")] = 1,
    workers: Workers = None,
    model: ModelName = None,
) -> None:
    """Render a small faulty night, label it and write the report: no data needed."""
    from classifier.results import free_folder

    folder = out if out is not None else free_folder(Path("nightcull-demo"))
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(f"{folder} is not an empty folder; give --out a new one.")
    from classifier.terminal import frame_progress
    from synth.demo_night import render_demo_night

    subs = folder / "subs"
    with frame_progress(make_console(stderr=True), "Rendering") as progress:
        render_demo_night(subs, frames, seed, progress)
    _finish(_label([subs], None, model, workers), folder, make_console())


@app.command()
def compare(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Results folder of `label`.")],
    against: Annotated[
        Path | None,
        typer.Option(metavar="TRUTH.csv", help="Score both by this table: columns file, labels."),
    ] = None,
    subs: Annotated[
        list[Path] | None,
        typer.Option(help="Folder that was labelled, for pictures of the disputed subs."),
    ] = None,
    out: Annotated[Path | None, typer.Option(help="Folder for page and JSON; else DIR.")] = None,
    top: Annotated[int, typer.Option(min=0, help="Disputed subs to list.")] = 20,
    model: Annotated[
        str | None, typer.Option("--model", help="The model that made the results, if moved.")
    ] = None,
) -> None:
    """Compare the model with the measures: where they agree, where not, which subs to look at."""
    from classifier.compare import compare as compared
    from classifier.comparison_page import disputed_paths, write_comparison
    from classifier.results import REPORT_NAME
    from classifier.sub_pictures import from_report, from_subs
    from classifier.terminal import show_comparison

    comparison = compared(folder, against, model)
    home = folder if folder.is_dir() else folder.parent
    wanted = disputed_paths(comparison)
    pictures = from_subs(subs, wanted) if subs else from_report(home / REPORT_NAME)
    page, _ = write_comparison(comparison, out or home, pictures)
    show_comparison(make_console(), comparison, top)
    make_console().print(f"\nPage: {page}", soft_wrap=True, markup=False)


@app.command()
def night(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Results folder of `label`.")],
) -> None:
    """Tell the course of a labelled night: what changed, what likely caused it, what to do."""
    from classifier.night_file import load_night
    from classifier.night_text import night_text

    for line in night_text(load_night(folder)):
        typer.echo(line)


@app.command()
def explain(
    name: Annotated[str | None, typer.Argument(metavar="FAULT", help="Key of a fault.")] = None,
) -> None:
    """Explain a fault: causes, what to do, whether the sub can be saved. Alone: list them."""
    from classifier.remedies import explain_text
    from classifier.vocabulary import FAULTS, SET_FAULTS

    if name is None:
        for row in FAULTS + SET_FAULTS:
            typer.echo(f"{row.key:20} {row.what}")
    else:
        typer.echo(explain_text(name))


@app.command()
def models() -> None:
    """List the models at hand; the default is marked."""
    from classifier.weights import default_model, list_models, models_dir

    names = list_models()
    if not names:
        raise UsageError(f"There is no model in {models_dir()}; train one with `nightcull train`.")
    for each in names:
        typer.echo(f"{each}{'  (default)' if each == default_model() else ''}")


# After our own, so that help lists the main job first.
for command in (*PLANNING_COMMANDS, *COMMANDS):
    app.command()(command)


def _label(
    folders: list[Path],
    rig: "Rig | None",
    model: str | None,
    workers: int | None,
    with_cache: bool = False,
    prior: "dict[str, float] | None" = None,
    masters: "MasterFiles | None" = None,
) -> "Results":
    from classifier.cache import Cache, cache_folder
    from classifier.label import label_night
    from classifier.terminal import frame_progress
    from classifier.weights import load_model

    loaded = load_model(model)
    if prior:
        loaded = loaded.with_prior(prior)
    cache = Cache(cache_folder(), loaded.sha256, rig, masters) if with_cache else None
    try:
        with frame_progress(make_console(stderr=True), "Labelling") as progress:
            return label_night(folders, rig, loaded, workers, progress, cache, masters)
    except KeyboardInterrupt:
        typer.echo("nightcull: stopped; no results were written.", err=True)
        raise typer.Exit(EXIT_INTERRUPTED) from None
    finally:
        if cache is not None and cache.warning:
            typer.echo(f"nightcull: {cache.warning}", err=True)


def _finish(results: "Results", out: Path | None, console: "Console") -> None:
    """Write the results, show the summary, and end with the exit status they deserve."""
    from classifier.night_file import write_night
    from classifier.report import write_report
    from classifier.results import write_results
    from classifier.terminal import show_left_out, show_summary

    written: list[Path] = []
    if out:
        written = [*write_results(results, out)]
        written.append(write_night(results.readings, results.made_with, out))
        written.append(write_report(results, out))
    show_summary(console, results)
    show_left_out(make_console(stderr=True), results)
    if written:
        console.print(f"\nReport: {written[-1]}", soft_wrap=True, markup=False)
    if results.unreadable:
        raise typer.Exit(EXIT_UNREADABLE)


def main() -> None:
    """Entry point: errors made on purpose become one sentence on stderr."""
    for stream in (sys.stdout, sys.stderr):
        # A Windows console may know few characters; a "?" is better than a lost night.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        app()
    except NightcullError as error:
        typer.echo(f"nightcull: {error}", err=True)
        sys.exit(EXIT_USAGE)
    except KeyboardInterrupt:
        sys.exit(EXIT_INTERRUPTED)
    except OSError as error:
        typer.echo(f"nightcull: the system refused: {error}.", err=True)
        sys.exit(1)


if __name__ == "__main__":
    main()
