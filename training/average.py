"""The mean of several trainings that went on from the same weights.

    python -m training.average DIR/part-0 DIR/part-1 --back-to START --share 0.4 --out FILE

Trainings from one start that saw other frames end in one valley, and the middle of it knows more
than any of them (Wortsman et al. 2022, arXiv 2203.05482). They need no word of one another while
they learn, so machines of any kind can share the work. A training of no steps (`steps = 0`) makes a
model of the result: calibrated, judged, with its card.
"""

from pathlib import Path
from typing import Annotated, Any

import torch
import typer

from classifier.errors import NightcullError, UsageError
from classifier.network import Network
from classifier.weights import load_model
from training.checkpoint import go_back, load_checkpoint, made_before, write_checkpoint


@torch.no_grad()
def average(parts: list[Path], back_to: Path | None, share: float, out: Path) -> None:
    """Write the mean of the weights of model folders to a checkpoint, `share` of the way back to
    the weights of another. Raises UsageError where the networks are not alike, ModelError."""
    if out.exists():
        raise UsageError(f"{out} already exists; give another --out.")
    networks = [load_model(part).network for part in parts]
    if any(network.config != networks[0].config for network in networks):
        raise UsageError("The parts are networks of different settings; average like ones.")
    mean = Network(networks[0].config)
    states = [network.state_dict() for network in networks]
    mean.load_state_dict({name: _mean([s[name] for s in states]) for name in states[0]})
    if back_to is not None:
        go_back(mean, load_checkpoint(Network(mean.config), back_to), share)
    write_checkpoint(out, mean, _record(parts, share if back_to else 0.0))


def _record(parts: list[Path], share: float) -> dict[str, Any]:
    """How the parts were made, and what all of them went on from."""
    made = [made_before(part)["started_from"] for part in parts]
    starts = [part.pop("started_from", None) for part in made]
    if any(start != starts[0] for start in starts):
        raise UsageError("The parts went on from different weights; average those of one start.")
    back = {"went_back": {"share": share, "to": "START"}} if share else {}
    return {"mean_of": made, **back, **({"started_from": starts[0]} if starts[0] else {})}


def _mean(tensors: list[torch.Tensor]) -> torch.Tensor:
    if not tensors[0].is_floating_point():
        return tensors[0]
    return torch.stack([tensor.double() for tensor in tensors]).mean(0).to(tensors[0].dtype)


def main(
    parts: Annotated[list[Path], typer.Argument(help="Model folders to be averaged.")],
    out: Annotated[Path, typer.Option(help="The checkpoint to write.")],
    back_to: Annotated[Path | None, typer.Option(help="What all of them went on from.")] = None,
    share: Annotated[float, typer.Option(help="Share of the way back to it.")] = 0.0,
) -> None:
    """Average trainings that went on from the same weights."""
    try:
        average(parts, back_to, share, out)
    except NightcullError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(2) from error


if __name__ == "__main__":
    typer.run(main)
