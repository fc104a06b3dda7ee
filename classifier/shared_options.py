"""Options that several commands of the command line share, and what is made of them."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from classifier.errors import UsageError

if TYPE_CHECKING:
    from rich.console import Console

    from classifier.masters import MasterFiles
    from classifier.rig import Rig

RigFile = Annotated[
    Path | None, typer.Option("--rig", help="TOML file of rig facts that the headers lack.")
]
Gain = Annotated[float | None, typer.Option("--gain", help="Electrons per ADU.")]
ReadNoise = Annotated[float | None, typer.Option("--read-noise", help="Electrons.")]
Offset = Annotated[float | None, typer.Option("--offset", help="ADU without any light.")]
BiasFrames = Annotated[
    list[Path] | None, typer.Option("--bias", help="Bias frame or folder; may be repeated.")
]
MasterDark = Annotated[
    Path | None,
    typer.Option("--dark", help="Master dark: would it remove the hot pixels and glow found?"),
]
MasterFlat = Annotated[
    Path | None,
    typer.Option("--flat", help="Master flat: would it remove the dust and vignetting found?"),
]


def known_rig(path: Path | None, **facts: float | None) -> "Rig | None":
    """The rig file with single facts, named as in `Rig`, put over it; None if nothing was given."""
    if path is None and all(value is None for value in facts.values()):
        return None
    from classifier.rig import Rig, read_rig

    return (read_rig(path) if path else Rig()).updated(**facts)


def known_masters(dark: Path | None, flat: Path | None, rig: "Rig | None") -> "MasterFiles | None":
    """The masters, looked at once so that a wrong one is refused before the work; None if none."""
    if dark is None and flat is None:
        return None
    from classifier.masters import MasterFiles, masters_of

    files = MasterFiles(dark, flat, rig)
    masters_of(files)
    return files


def only_stdout(json_to: str | None) -> None:
    """Refuse a file name given to --json."""
    if json_to not in (None, "-"):
        raise UsageError(f"--json takes - (stdout), not {json_to!r}; redirect it to a file.")


def make_console(stderr: bool = False) -> "Console":
    """Where people read: no colours guessed into numbers, lines left as long as they are told."""
    from rich.console import Console

    return Console(stderr=stderr, highlight=False, soft_wrap=False)
