"""The model card: how a model was made and how good it is, from its config and its figures."""

import math
from typing import Any

from classifier.prior import prior_sentence
from classifier.vocabulary import KEYS, Verdict, fault
from training.card_comparisons import ablation_part, former_part
from training.side_by_side import (
    COMMON,
    GRAFTED,
    RENDERED,
    UNKNOWN,
    interval_text,
    overviews,
    share_text,
    strength_text,
)

HEAD = """# {name}

{frames} held-out rendered frames ({runs} runs, {clean} of them clean of every fault); none was
trained on or used for calibration. Macro average precision **{macro}** (95 % interval {low} to
{high}, over runs); judged without their run {alone}. Lowest: {worst} with {worst_value}. Of the
clean frames {any_label} carry any label at all and {any_perhaps} have one perhaps;
{unfamiliar} of them are called unfamiliar, and {others}.

These figures hold for rendered frames. They say nothing yet about any one telescope: measured
evidence stands beside every label for that reason, and `nightcull retrain` learns from your own.

## How it was made

    {command}

{minutes} minutes on {device}, everything included (held-out frames, training, calibration,
evaluation): {rendered} frames rendered for training{grafted}, {steps} steps of {batch},
{parameters} parameters, weights in 16-bit floats. nightcull {version}, torch {torch}, seed {seed}.
The settings are under `training` in config.json, calibration and thresholds beside them.
{earlier}
{thresholds}
{prior}

## Figures per fault

AP: average precision (area under precision against recall). Recall at 1 %: share found when 1 %
of the frames without the fault are let through. Found, false: at the model's own threshold,
among frames with and without the fault. ECE: expected calibration error, 15 equal bins, beside
what a perfect model would show on as many frames.

| fault | frames | AP (95 %) | alone | recall at 1 % | found | false | on clean | ECE (floor) |
|---|---|---|---|---|---|---|---|---|
"""

GROUP_HEAD = """
## Faults that are the same light, taken together

| group | members | frames | AP | recall at 1 % | ECE (floor) |
|---|---|---|---|---|---|
"""

SAME_LIGHT_HEAD = """
Two faults that are the same light are scored above singly, from the strength at which they can be
told apart, and here jointly, below it. Told apart at every strength all the same: {every}, and
macro {macro}.

| either of | told apart from | frames below | AP | recall at 1 % |
|---|---|---|---|---|
"""

STRENGTH_HEAD = """
## Share labelled against strength

Each fault's frames in six equal parts by strength, from where a frame is no longer clean. The
level from which the fault counts stands in the second column.

| fault | counts from | weakest ... strongest sixth |
|---|---|---|
"""

SENSITIVITY_HEAD = """
## Strength at which faults are found

With 1 % of the frames without the fault let through: the strengths at which half and 95 % of the
frames are found, each with its 95 % interval over {groups}, in the unit of the fault; from a
logistic in the logarithm of the strength, by maximum likelihood. Not reached: more than the
strongest frame has.

| fault | unit | counts from | {columns} |
|---|---|---|{rule}|
"""

SIDE_HEAD = """
## Rendered, grafted and real frames

Grafted: faults put into real good frames. Real: frames that a person labelled, judged as files
with everything measured. Intervals resample runs of rendered frames, and folders of real ones.

| | {columns} |
|---|{rule}|
"""

VERDICTS_LEFT_OUT = """
Verdicts on rendered and grafted frames are those of the network alone, as nothing was measured in
them: a fault under 90 % never costs a sub there, and no measure contradicts a label.
"""

CONFUSION_HEAD = """
## Labels given wrongly beside a real fault

Of the frames that have the first fault and not the second, the share given the second; only 3 %
and more are listed.

| has | is also called |
|---|---|
"""


def card_text(config: dict[str, Any], figures: dict[str, Any]) -> str:
    """config.json and the figures of `training.evaluate` -> the text of card.md."""
    made, settings = config["training"], config["training"]["settings"]
    macro = figures["macro_average_precision"]
    worst = figures["lowest_average_precision"]
    head = HEAD.format(
        name=config["name"],
        frames=f"{figures['frames']:,}",
        runs=f"{figures['runs']:,}",
        clean=f"{figures['clean_frames']:,}",
        macro=_number(macro["value"]),
        low=_number(macro["low"]),
        high=_number(macro["high"]),
        alone=_number(figures["macro_average_precision_alone"]),
        worst=worst["fault"],
        worst_value=_number(worst["value"]),
        any_label=_percent(figures["clean_with_any_label"]),
        any_perhaps=_percent(figures["clean_with_any_perhaps"]),
        unfamiliar=_percent(figures["unfamiliar"]),
        others=_others(figures),
        command=made["command"],
        minutes=f"{made['minutes']:.1f}",
        device=made["device"],
        rendered=f"{made['rendered_frames']:,}",
        grafted=_grafted(made),
        steps=f"{made['steps']:,}",
        batch=settings["batch"],
        parameters=f"{config['parameters']:,}",
        version=config["nightcull"],
        torch=made["torch"],
        seed=settings["seed"],
        earlier=_earlier(made),
        thresholds=_thresholds(config),
        prior=prior_sentence(config["prior"]),
    )
    rows = [_fault_row(key, figures["faults"][key]) for key in KEYS]
    groups = [_group_row(name, row) for name, row in figures["groups"].items()]
    strengths = [_strength_row(key, figures["faults"][key]) for key in KEYS]
    confusions = [_confusion_row(key, figures["confusion"][key]) for key in KEYS]
    parts = [
        head + "\n".join(rows),
        GROUP_HEAD + "\n".join(groups),
        _same_light(figures),
        *ablation_part(figures, config["network"]),
        *former_part(figures),
        *_side_by_side(figures),
        *_sensitivity(figures),
        STRENGTH_HEAD + "\n".join(row for row in strengths if row),
        CONFUSION_HEAD + "\n".join(row for row in confusions if row),
    ]
    return "\n".join(parts) + "\n"


def _grafted(made: dict[str, Any]) -> str:
    """What was learnt from besides rendered frames."""
    if not made.get("grafted_frames"):
        return ""
    return (
        f" and {made['grafted_frames']:,} with faults\ngrafted onto {made['graft_sources']} real "
        f"frames of {made['graft_groups']} origins"
    )


def _earlier(made: dict[str, Any]) -> str:
    """How the weights were made that the training went on from, one training after the other, and
    how far it went back to any of them."""
    told = [_way_back(made)]
    while (made := made.get("started_from")) is not None:  # type: ignore[assignment]
        parts = made.get("mean_of")
        if parts is None or len(parts) == 1:
            told.append("\nIt went on from the weights of an earlier training:\n")
        else:
            told.append(
                f"\nIt went on from the mean of the weights of {len(parts)} trainings that went on "
                f"from the same ones, each\nwith frames of its own:\n"
            )
        for number, part in enumerate(parts or [made]):
            under = "started_from" if parts is None else f"mean_of[{number}]"
            told.append(
                f"\n    {part['command']}\n\n"
                f"{part['minutes']:.1f} minutes on {part['device']}, {part['rendered_frames']:,} "
                f"other frames rendered{_grafted(part)}, {part['steps']:,} steps of\n"
                f"{part['settings']['batch']}; its settings are under `{under}`.\n"
            )
        if parts is not None:
            told.append(_way_back(made))
    return "".join(told)


def _way_back(made: dict[str, Any]) -> str:
    back = made.get("went_back")
    if back is None:
        return ""
    return (
        f"\nAt the end all weights went {_percent(back['share'])} of the way back to those of "
        f"{back['to']}.\n"
    )


def _thresholds(config: dict[str, Any]) -> str:
    """How the thresholds were set; older models say less."""
    alarms = _percent(config["training"]["settings"]["clean_alarms"])
    told = config.get("clean_labelled")
    if told is None or told["expected"] is None:
        return (
            f"Thresholds: at most {alarms} of the clean calibration frames carry any label, all "
            "labels taken\ntogether; none lies under 50 %."
        )
    expected, error = _percent(told["expected"]), _percent(told["error"])
    frames = f"{config['calibration_clean_frames']:,}"
    return (
        f"Thresholds: at most {alarms} of clean frames may carry any label, all labels taken "
        "together, beside\ntheir run or alone; none lies under 50 %. They were laid between "
        f"{frames} clean frames, then raised\nby {told['step']:.2f} in log odds, so that "
        f"{expected} (standard error {error}) of the frames of runs left\nout of that search carry "
        "a label."
    )


def _fault_row(key: str, row: dict[str, Any]) -> str:
    low, high = row["average_precision_interval"]
    return (
        f"| {key} | {row['positives']} | {_number(row['average_precision'])} "
        f"({_number(low)} to {_number(high)}) | {_number(row['average_precision_alone'])} "
        f"| {_percent(row['recall_at_1pct_false_alarms'])} | {_percent(row['recall'])} "
        f"| {_percent(row['false_alarms'])} | {_percent(row['false_alarms_on_clean'])} "
        f"| {_number(row['calibration_error'], 3)} "
        f"({_number(row['calibration_error_floor'][0], 3)}) |"
    )


def _same_light(figures: dict[str, Any]) -> str:
    rows = figures["same_light"]
    faults = figures["faults"]
    keys = dict.fromkeys(key for name in rows for key in name.split(" or "))
    every = ", ".join(
        f"{key} {_number(faults[key]['average_precision_every_strength'])}" for key in keys
    )
    head = SAME_LIGHT_HEAD.format(
        every=every, macro=_number(figures["macro_average_precision_every_strength"])
    )
    return head + "\n".join(
        f"| {name} | {_levels(row['told_apart_from'])} | {row['positives']} "
        f"| {_number(row['average_precision'])} | {_percent(row['recall_at_1pct_false_alarms'])} |"
        for name, row in rows.items()
    )


def _levels(told: float | list[float]) -> str:
    """Strengths from which two faults are told apart; figures of older versions hold one number."""
    levels = told if isinstance(told, list) else [told]
    return ", ".join(f"{level:g}" for level in dict.fromkeys(levels))


def _others(figures: dict[str, Any]) -> str:
    """How many of the frames that are no star field were told to be none."""
    if not figures["not_sky_frames"]:
        return "no frame of other things than the sky was among those held out"
    flagged = _percent(figures["not_sky_flagged"])
    area = _number(figures["not_sky_auc"], 3)
    return (
        f"{flagged} of {figures['not_sky_frames']} frames of other things\n"
        f"(flats, planets, daylight, roofs, charts; AUC {area})"
    )


def _group_row(name: str, row: dict[str, Any]) -> str:
    return (
        f"| {name} | {', '.join(row['members'])} | {row['positives']} "
        f"| {_number(row['average_precision'])} | {_percent(row['recall_at_1pct_false_alarms'])} "
        f"| {_number(row['calibration_error'], 3)} "
        f"({_number(row['calibration_error_floor'], 3)}) |"
    )


def _strength_row(key: str, row: dict[str, Any]) -> str:
    if not row["recall_by_strength"]:
        return ""
    told = fault(key)
    bins = "; ".join(
        f"{part['from']:.3g} to {part['to']:.3g}: {_percent(part['labelled'])}"
        for part in row["recall_by_strength"]
    )
    return f"| {key} | {told.counts_from:g} {told.unit} | {bins} |"


def _side_by_side(figures: dict[str, Any]) -> list[str]:
    """The kinds of frames beside one another, where the file has more than rendered ones."""
    columns = overviews(figures)
    if len(columns) < 2:
        return []
    told = list(columns.values())
    rows = [("frames (groups)", [f"{t['frames']:,} ({t['groups']})" for t in told])]
    rows += [(title, [text(t[name]) for t in told]) for name, title, text in COMMON]
    rows += [(f"AP {key}, frames", [_precision(t["faults"][key]) for t in told]) for key in KEYS]
    rows += [
        (f"{words}: keep, look, drop", [_verdicts(t["verdicts"][kind]) for t in told])
        for kind, words in (("clean", "clean"), ("spoilt", "spoilt"), ("not_sky", "no star field"))
    ]
    head = SIDE_HEAD.format(columns=" | ".join(columns), rule="|".join(["---"] * len(columns)))
    body = "\n".join(f"| {title} | {' | '.join(cells)} |" for title, cells in rows)
    return [head + body, VERDICTS_LEFT_OUT.rstrip("\n")]


def _precision(row: dict[str, Any]) -> str:
    return f"{interval_text(row['average_precision'])}, {row['positives']}"


def _verdicts(row: dict[str, Any]) -> str:
    if not row["frames"]:
        return UNKNOWN
    return ", ".join(share_text(row[verdict]["value"]) for verdict in Verdict)


def _sensitivity(figures: dict[str, Any]) -> list[str]:
    """The strengths at which faults are found; older files have none."""
    kinds = {
        name: part["faults"]
        for name, part in ((RENDERED, figures), (GRAFTED, figures.get("grafted", {})))
        if any(_has_fit(row) for row in part.get("faults", {}).values())
    }
    if not kinds:
        return []
    columns = [f"{share} found, {kind}" for kind in kinds for share in ("50 %", "95 %")]
    rows = []
    for key in KEYS:
        entries = [part[key]["sensitivity"] for part in kinds.values()]
        cells = [
            strength_text(entry[name])
            for entry in entries
            for name in ("strength_50", "strength_95")
        ]
        row = fault(key)
        rows.append(f"| {key} | {row.unit} | {row.counts_from:g} | {' | '.join(cells)} |")
    head = SENSITIVITY_HEAD.format(
        groups="runs" if len(kinds) == 1 else "runs (grafted: folders)",
        columns=" | ".join(columns),
        rule="|".join(["---"] * len(columns)),
    )
    return [head + "\n".join(rows)]


def _has_fit(row: dict[str, Any]) -> bool:
    return row.get("sensitivity", {}).get("strength_50", {}).get("reached", "unknown") != "unknown"


def _confusion_row(key: str, row: dict[str, float]) -> str:
    often = sorted(
        ((share, other) for other, share in row.items() if not _missing(share) and share >= 0.03),
        reverse=True,
    )
    told = ", ".join(f"{other} {_percent(share)}" for share, other in often)
    return f"| {key} | {told} |" if told else ""


def _missing(value: float | None) -> bool:
    return value is None or math.isnan(value)


def _number(value: float | None, digits: int = 2) -> str:
    return "-" if value is None or math.isnan(value) else f"{value:.{digits}f}"


def _percent(value: float | None) -> str:
    if value is None or math.isnan(value):
        return "-"
    return f"{100 * value:.1f} %" if value < 0.1 else f"{100 * value:.0f} %"
