"""The command that draws the atlas, for the command line to register: parse and call."""

from pathlib import Path
from typing import Annotated

import typer


def atlas(
    out: Annotated[Path, typer.Option(help="New HTML file; it needs no other file.")] = Path(
        "nightcull-atlas.html"
    ),
    fault: Annotated[
        list[str] | None, typer.Option(help="Only this fault; may be repeated. Default: all.")
    ] = None,
    picture: Annotated[
        Path | None, typer.Option(help="New .jpg file for an overview in one picture.")
    ] = None,
    width: Annotated[int, typer.Option(min=256, help="Pixels of the rendered subs.")] = 960,
    height: Annotated[int, typer.Option(min=256, help="Pixels of the rendered subs.")] = 640,
    seed: Annotated[int, typer.Option(help="Another seed, other fields.")] = 1,
    device: Annotated[str, typer.Option(help="cpu or cuda.")] = "cpu",
) -> None:
    """Make a page of pictures of every fault, weak to extreme, on several rigs."""
    from rich.console import Console
    from rich.progress import Progress

    from classifier.vocabulary import KEYS
    from synth.atlas import write_atlas

    console, faults = Console(stderr=True), tuple(fault or KEYS)
    with Progress(console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task("Rendering", total=len(faults))
        write_atlas(
            out,
            faults,
            seed,
            width,
            height,
            device,
            picture,
            lambda done, *_: bar.update(task, completed=done),
        )
    typer.echo(out)
