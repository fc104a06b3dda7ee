"""The commands that plan: framing, exposure and the cull, for the command line to register.

Thin: parse, call, print. Heavy imports live inside the functions, so that `nightcull --help` does
not wait for them.
"""

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from classifier.errors import FrameError, UsageError
from classifier.shared_options import (
    BiasFrames,
    Gain,
    Offset,
    ReadNoise,
    RigFile,
    known_rig,
    make_console,
    only_stdout,
)

if TYPE_CHECKING:
    from classifier.frame import Frame

EXIT_UNREADABLE = 3
CALIBRATION = ("bias", "dark", "flat")
PLAN_SUFFIXES = (".json", ".csv", ".png", ".svg")

JsonTo = Annotated[str | None, typer.Option("--json", metavar="-", help="- writes JSON to stdout.")]


def framing(
    frames: Annotated[list[Path], typer.Argument(metavar="FRAME", help="Subs, or folders.")],
    against: Annotated[
        Path | None,
        typer.Option(help="The reference sub; default: the one in the middle of the set."),
    ] = None,
    picture: Annotated[
        Path | None,
        typer.Option(help="Picture of the outlines, .png or .svg; default: a new .png here."),
    ] = None,
    json_to: JsonTo = None,
) -> None:
    """Compare the framing of subs with a reference: turn, shift, scale, overlap lost."""
    only_stdout(json_to)
    from classifier.figure_file import picture_path, save_figure
    from classifier.framing import Framing, StarField, framing_set
    from classifier.framing_picture import framing_figure
    from classifier.framing_text import framing_json, show_framing

    target = None if json_to and picture is None else picture_path(picture, "nightcull-framing.png")
    scales: dict[str, float | None] = {}
    hours: dict[str, float] = {}

    def field(name: str, frame: "Frame") -> StarField:
        from classifier.field_stars import field_stars

        scales[name] = frame.facts.scale_arcsec
        if frame.facts.time_utc is not None:
            hours[name] = frame.facts.time_utc.timestamp() / 3600
        return StarField(name, field_stars(frame), frame.pixels.shape)

    reference = None
    if against is not None:
        found, trouble = _each([against], "Reference", field)
        if not found:
            raise UsageError(f"The reference {trouble[0]}" if trouble else f"{against} is no sub.")
        reference = found[0]
    fields, trouble = _each(frames, "Stars", field)
    if not fields:
        _tell(trouble)
        raise UsageError("None of the files is a sub that could be compared; name light frames.")
    if reference is None and len(fields) == 1:
        raise UsageError("One sub alone has nothing to be compared with; add --against REFERENCE.")
    reference, results = framing_set(fields, reference)
    scale_arcsec = scales.get(reference.name)
    if json_to:
        typer.echo(
            json.dumps(framing_json(reference, results, scale_arcsec, hours), allow_nan=False)
        )
    console = make_console(stderr=bool(json_to))
    show_framing(console, reference, results, scale_arcsec, hours)
    matched = [one for one in results if isinstance(one, Framing)]
    if target and matched:
        save_figure(framing_figure(reference, matched), target)
        console.print(f"Picture: {target}", soft_wrap=True, markup=False)
    _tell(trouble)
    if trouble:
        raise typer.Exit(EXIT_UNREADABLE)


def plan(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Results folder of `label`.")],
    aim: Annotated[
        str, typer.Option(help="What to recommend for: depth, sharpness or both.")
    ] = "both",
    clip: Annotated[
        float, typer.Option(min=1.5, max=10.0, help="Sigma of the stack's clipping, for trails.")
    ] = 3.0,
    picture: Annotated[str, typer.Option(help="Kind of the pictures: png or svg.")] = "png",
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over an earlier plan in DIR.")
    ] = False,
    json_to: JsonTo = None,
) -> None:
    """Weigh the cull: what every cut does to the stack's depth and sharpness, and weights."""
    only_stdout(json_to)
    from classifier.figure_file import SUFFIXES, save_figure
    from classifier.plan import AIMS, plan_night
    from classifier.plan_picture import plan_figure
    from classifier.plan_text import plan_csv, plan_json, show_plans
    from classifier.results import read_results, write_whole

    if aim not in AIMS:
        raise UsageError(f"--aim takes {', '.join(AIMS)}, not {aim!r}.")
    suffix = f".{picture.lower().lstrip('.')}"
    if suffix not in SUFFIXES:
        raise UsageError(f"--picture takes png or svg, not {picture!r}.")
    home = folder if folder.is_dir() else folder.parent
    plans = plan_night(read_results(folder), clip)
    if not plans:
        raise UsageError(
            f"No sub in {folder} has measured stars and noise, so there is nothing to weigh; look "
            "at its report."
        )
    present = sorted(path.name for path in home.glob("plan*") if path.suffix in PLAN_SUFFIXES)
    if present and not replace and not json_to:
        raise UsageError(
            f"{home} already holds a plan ({', '.join(present[:3])}); add --replace to write over "
            "it."
        )
    if json_to:
        typer.echo(json.dumps(plan_json(plans), allow_nan=False))
    console = make_console(stderr=bool(json_to))
    show_plans(console, plans, aim)
    if json_to:
        return
    text = json.dumps(plan_json(plans), indent=1, ensure_ascii=False, allow_nan=False)
    written = [
        write_whole(home / "plan.json", text + "\n"),
        write_whole(home / "plan.csv", plan_csv(plans)),
    ]
    for number, each in enumerate(plans, 1):
        name = f"plan{suffix}" if len(plans) == 1 else f"plan-{number}{suffix}"
        written.append(save_figure(plan_figure(each), home / name))
    told = ", ".join(str(path) for path in written)
    console.print(f"Written: {told}", soft_wrap=True, markup=False)


def exposure(
    frames: Annotated[list[Path], typer.Argument(metavar="FRAME", help="Subs, or folders.")],
    excess: Annotated[
        float, typer.Option(min=0.1, max=100, help="Percent that read noise may add to the noise.")
    ] = 5.0,
    bias: BiasFrames = None,
    dark: Annotated[
        list[Path] | None, typer.Option(help="Dark frame or folder; may be repeated.")
    ] = None,
    rig: RigFile = None,
    gain: Gain = None,
    read_noise: ReadNoise = None,
    offset: Offset = None,
    aperture: Annotated[float | None, typer.Option(help="mm, to estimate the zero point.")] = None,
    depth: Annotated[
        float | None, typer.Option(help="Magnitude of the faintest star wanted: total time.")
    ] = None,
    snr: Annotated[float, typer.Option(min=1, help="Signal-to-noise of that star.")] = 5.0,
    zero_point: Annotated[
        float | None, typer.Option(help="Magnitude of a star of one electron per second.")
    ] = None,
    json_to: JsonTo = None,
) -> None:
    """Tell how long subs should be: sky against read noise, stars saturated, total time."""
    only_stdout(json_to)
    from classifier.camera_facts import measure_masters
    from classifier.exposure_text import Goal, exposure_json, show_budgets
    from classifier.light_budget import LightBudget, light_budget
    from classifier.still_frames import still_frames

    known = known_rig(
        rig,
        gain_e_adu=gain,
        read_noise_e=read_noise,
        offset_adu=offset,
        aperture_mm=aperture,
    )
    masters = measure_masters(still_frames(bias, "bias"), still_frames(dark, "dark"))
    refused: list[str] = []

    def look(name: str, frame: "Frame") -> "LightBudget | None":
        try:
            return light_budget(frame, known, masters, name)
        except FrameError as error:
            refused.append(f"{name}: {error}")
            return None

    found, trouble = _each(frames, "Sky", look)
    trouble += refused
    budgets = [budget for budget in found if budget is not None]
    if not budgets:
        _tell(trouble)
        raise UsageError("No sub gave a light budget; name light frames, or give what is missing.")
    goal = Goal(excess / 100, depth, snr, zero_point)
    if json_to:
        typer.echo(json.dumps(exposure_json(budgets, goal), allow_nan=False))
    show_budgets(make_console(stderr=bool(json_to)), budgets, goal)
    _tell(trouble)
    if trouble:
        raise typer.Exit(EXIT_UNREADABLE)


COMMANDS: tuple[Callable[..., None], ...] = (plan, exposure, framing)


def _each(
    places: Sequence[Path], title: str, look: Callable[[str, "Frame"], Any]
) -> tuple[list[Any], list[str]]:
    """`look(name, frame)` at every light frame of files and folders, one in memory at a time; and
    a sentence for each that could not be read."""
    from classifier.frame import find_frames, read_each
    from classifier.terminal import frame_progress
    from classifier.wording import counted

    looked: list[Any] = []
    trouble: list[str] = []
    files, left_out = find_frames(places), 0
    with frame_progress(make_console(stderr=True), title) as progress:
        for done, (name, frame) in enumerate(read_each(files, trouble), 1):
            if frame.facts.kind in CALIBRATION:
                left_out += 1
            else:
                looked.append(look(name, frame))
            progress(done, len(files), name)
    if left_out:
        _tell([f"{counted(left_out, 'calibration frame')} left out, going by the header."])
    return looked, trouble


def _tell(trouble: Sequence[str]) -> None:
    for sentence in trouble:
        typer.echo(sentence, err=True)
