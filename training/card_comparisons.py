"""The parts of a model card that compare: with and without each view, and with a former model."""

from collections.abc import Callable
from typing import Any

from classifier.vocabulary import KEYS
from training.side_by_side import COMMON, interval_text, is_known

ABLATION_HEAD = """
## What each view, the facts and the run are worth

Average precision on the frames of the first table, with zeros in the place of what one branch of
the network says (no ...), of what all but one say and without the run (only ...), and with all
branches but without the run; {trained}.
"""

FORMER_HEAD = """
## Beside the former model

{model} and {former} on the same {frames} rendered frames ({runs} runs), each with its own
thresholds; intervals of the differences resample runs, the same for both. Differences of shares
are in percentage points.

| | {model} | {former} | difference (95 %) |
|---|---|---|---|
"""


def ablation_part(figures: dict[str, Any], network: dict[str, Any]) -> list[str]:
    """The tables of `training.ablation`, where the file has them. network: the model's settings."""
    told = figures.get("ablation")
    if not told:
        return []
    variants = told["variants"]
    less = [name for name in variants if not name.startswith("only_")]
    alone = [less[0], *(name for name in variants if name.startswith("only_"))]
    return [
        ABLATION_HEAD.format(trained=_trained(network)),
        _ablation_table({name: variants[name] for name in less}) + "\n",
        _ablation_table({name: variants[name] for name in alone}),
    ]


def former_part(figures: dict[str, Any]) -> list[str]:
    """The table of `training.former`, where the file has it."""
    told = figures.get("former")
    if not told:
        return []
    head = FORMER_HEAD.format(
        model=figures["model"],
        former=told["model"],
        frames=f"{told['frames']:,}",
        runs=f"{told['runs']:,}",
    )
    rows = [_former_row(title, told[name], text) for name, title, text in COMMON if name in told]
    rows += [_former_row(f"AP {key}", told["faults"][key], interval_text) for key in KEYS]
    return [head + "\n".join(rows)]


def former_line(figures: dict[str, Any]) -> str:
    """One line for the terminal: the means of both models and the difference."""
    told = figures["former"]
    new, old, more = (
        interval_text(told["macro_average_precision"][name])
        for name in ("this", "former", "difference")
    )
    return (
        f"{figures['model']} beside {told['model']} on the same subs: macro average precision "
        f"{new} against {old}, difference {more}."
    )


def _former_row(title: str, row: dict[str, Any], text: Callable[[dict[str, Any]], str]) -> str:
    return f"| {title} | {' | '.join(text(row[n]) for n in ('this', 'former', 'difference'))} |"


def _trained(network: dict[str, Any]) -> str:
    share = network.get("branch_dropout", 0.0)
    if share:
        return (
            f"in training each branch was left out of {100 * share:.0f} % of the frames, so that "
            "the\nnetwork knows to do without it"
        )
    return (
        "no branch was left out in\ntraining, so that the losses are also those of a network that "
        "never met such zeros"
    )


def _ablation_table(variants: dict[str, Any]) -> str:
    titles = [name.replace("without_", "no ").replace("only_", "only ") for name in variants]
    lines = [
        f"| fault | {' | '.join(titles)} |",
        "|---" * (1 + len(titles)) + "|",
    ]
    for key in KEYS:
        cells = [_precision(variant["faults"][key]) for variant in variants.values()]
        lines.append(f"| {key} | {' | '.join(cells)} |")
    macro = [_precision(variant["macro_average_precision"]) for variant in variants.values()]
    lines.append(f"| mean | {' | '.join(macro)} |")
    changes = [interval_text(variant["change"]) for variant in variants.values()]
    lines.append(f"| change of the mean (95 %) | {' | '.join(['', *changes[1:]])} |")
    return "\n".join(lines)


def _precision(value: float | None) -> str:
    return f"{value:.2f}" if value is not None and is_known(value) else "-"
