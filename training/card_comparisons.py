"""The parts of a model card that compare: with and without each view, and with a former model."""

from typing import Any

from classifier.vocabulary import KEYS
from training.side_by_side import interval_text, is_known

ABLATION_HEAD = """
## What each view, the facts and the run are worth

Average precision on the frames of the first table when the network gets zeros in the place of
what one of its branches says (no), of what all but one say, the run left out too (only), and with
all branches but without the run; {trained}.
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
