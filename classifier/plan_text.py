"""A plan told to people and to programs: the choices side by side, what is kept, the weights."""

import csv
import io
from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from classifier.clipping import can_reject, clipped_spread, false_rejection, farthest_sigma
from classifier.plan import AIMS, Cut, RunPlan, Trail
from classifier.results import plain
from classifier.stacking import noise_limit
from classifier.vocabulary import Verdict, fault
from classifier.wording import counted, duration, joined

SCHEMA = "nightcull/plan-1"
NAMED = 8
WHAT = {
    "depth": "best for depth",
    "both": "best for both",
    "sharpness": "best for sharpness",
}
MEANT = {
    "depth": "faint stars",
    "both": "detail of two star widths",
    "sharpness": "detail of 1.33 star widths",
}


def show_plans(console: Console, plans: Sequence[RunPlan], aim: str) -> None:
    """Each run: the choices as a table, then the recommendation in words."""
    for plan in plans:
        console.print(Text(plan.run, style="bold"))
        console.print(_choices(plan, aim))
        for sentence in sentences(plan, aim):
            console.print(Text(sentence))
        console.print()


def _choices(plan: RunPlan, aim: str) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0))
    table.add_column("stack of")
    for name in ("subs", "time", "depth", "FWHM", "elongation", "noise"):
        table.add_column(name, justify="right", no_wrap=True)
    for name, cut in choices(plan).items():
        stack = cut.stack
        table.add_row(
            name,
            str(cut.kept),
            duration(stack.exposure_s),
            f"{cut.deeper_mag + 0.0:+.2f} mag",
            f"{stack.fwhm_px:.2f} px",
            f"{stack.elongation:.2f}",
            f"{stack.noise / plan.everything.stack.noise:.2f}",
            style="bold" if name == WHAT[aim] else "",
        )
    return table


def choices(plan: RunPlan) -> dict[str, Cut]:
    """The stacks that are set side by side, by the name shown."""
    rows = {"all, equal weights": plan.everything}
    if plan.as_labelled is not None and plan.as_labelled.kept < len(plan.names):
        rows["all not labelled drop"] = plan.as_labelled
    rows |= {WHAT[aim]: plan.recommended[aim] for aim in AIMS}
    return rows | {"all, weighted": plan.weighted}


def sentences(plan: RunPlan, aim: str) -> list[str]:
    """The recommendation and what it costs, what it changes in the labels, trails, assumptions."""
    cut, total = plan.recommended[aim], len(plan.names)
    kept = set(plan.kept_names(aim))
    out = [name for name in plan.names if name not in kept]
    told = []
    if out:
        told.append(
            f"For {aim} ({MEANT[aim]}) keep {cut.kept} of {counted(total, 'sub')} under equal "
            f"weights: {effect(plan, aim)}. Left out: {_named(out)}."
        )
    else:
        told.append(f"For {aim} ({MEANT[aim]}) keep all {counted(total, 'sub')}: none costs more.")
    verdict = dict(zip(plan.names, plan.verdicts, strict=True))
    saved = [name for name in plan.names if name in kept and verdict[name] == Verdict.DROP]
    if saved:
        told.append(f"Kept although labelled drop, because the stack gains by it: {_named(saved)}.")
    spent = [name for name in out if verdict[name] == Verdict.KEEP]
    if spent:
        told.append(
            f"Left out although labelled keep, because the stack gains by it: {_named(spent)}."
        )
    if total > 1:
        told.append(
            "Under equal weights one more sub makes the stack less noisy only while its own noise "
            f"is below {noise_limit(cut.kept):.2f} times that of the {cut.kept} kept (the root "
            "of 2 + 1/n). With the weights in plan.csv every sub helps: "
            f"{plan.weighted.deeper_mag:+.2f} mag for all of them."
        )
    told += trails_words(plan)
    told += [f"Not weighed: {name} ({why})." for name, why in plan.left_out[:NAMED]]
    if len(plan.left_out) > NAMED:
        told.append(f"Not weighed: {len(plan.left_out) - NAMED} more; plan.json has them.")
    told += [f"Assumed: {each}." for each in plan.assumed]
    return told


def effect(plan: RunPlan, aim: str) -> str:
    """What the cut for an aim costs and gains against keeping all, and against the deepest cut."""
    cut, whole = plan.recommended[aim], plan.everything
    parts = [f"the stack goes {abs(cut.deeper_mag):.2f} mag {_way(cut.deeper_mag)}"]
    narrower = 100 * (1 - cut.width_ratio)
    parts.append(f"its stars are {abs(narrower):.0f} % {'narrower' if narrower >= 0 else 'wider'}")
    lost = whole.stack.exposure_s - cut.stack.exposure_s
    parts.append(f"{duration(lost)} of {duration(whole.stack.exposure_s)} are given up")
    told = joined(parts)
    cost = plan.recommended["depth"].deeper_mag - cut.deeper_mag
    if aim != "depth" and cost >= 0.005:
        told += f"; the deepest cut goes {cost:.2f} mag deeper than this one"
    return told


def _way(magnitudes: float) -> str:
    return "deeper" if magnitudes >= 0 else "less deep"


def trails_words(plan: RunPlan) -> list[str]:
    """What clipping makes of the trails among the subs kept for depth; the harmless ones in one
    sentence."""
    if not plan.trails:
        return []
    subs, clip = plan.recommended["depth"].kept, f"{plan.clip_sigma:g} sigma"
    told = []
    if not can_reject(subs, plan.clip_sigma):
        told.append(
            f"One pass of clipping at {clip} rejects nothing in {counted(subs, 'sub')}: no value "
            f"of so few can lie more than {farthest_sigma(subs):.2f} deviations from their mean."
        )
    showing = [trail for trail in plan.trails if _shows(trail)]
    told += [_trail_words(trail, subs) for trail in showing[:NAMED]]
    if len(showing) > NAMED:
        told.append(f"{len(showing) - NAMED} more trails show; plan.json has them.")
    faint = [trail for trail in plan.trails if not _shows(trail)]
    if faint:
        most = max(trail.ghost_snr for trail in faint)
        told.append(
            f"{counted(len(faint), 'trail')} will not show in a stack of {subs} clipped at {clip}, "
            f"where at most {most:.1f} sigma over the whole length are left."
        )
    share = 100 * false_rejection(plan.clip_sigma)
    return [*told, f"Clipping at {clip} also rejects {share:.2g} % of good values."]


def _shows(trail: Trail) -> bool:
    return trail.ghost_snr >= fault("trail").counts_from


def _trail_words(trail: Trail, subs: int) -> str:
    told = (
        f"{trail.name}: a trail of {trail.peak_sigma:.1f} sigma a pixel leaves a ghost of "
        f"{trail.ghost_snr:.0f} sigma over its length in {counted(subs, 'sub')}"
    )
    if trail.clean_from is None:
        return f"{told}: mask it or drop the sub."
    return f"{told}: mask it, drop the sub, or gather {trail.clean_from} subs."


def _named(names: Sequence[str]) -> str:
    if len(names) <= NAMED:
        return joined(names)
    return f"{', '.join(names[:NAMED])} and {len(names) - NAMED} more"


def plan_csv(plans: Sequence[RunPlan]) -> str:
    """One row per weighed sub: which aims keep it, and its weights, the best sub of a run 1."""
    text = io.StringIO()
    weights = ("noise", *AIMS)
    columns = ["path", "run", "verdict", *(f"keep_{aim}" for aim in AIMS)]
    columns += [f"weight_{name}" for name in weights]
    writer = csv.DictWriter(text, columns, lineterminator="\n")
    writer.writeheader()
    for plan in plans:
        kept = {aim: set(plan.kept_names(aim)) for aim in AIMS}
        for i, name in enumerate(plan.names):
            row = {"path": name, "run": plan.run, "verdict": plan.verdicts[i]}
            row |= {f"keep_{aim}": "yes" if name in kept[aim] else "no" for aim in AIMS}
            row |= {f"weight_{key}": f"{plan.weights[key][i]:.4f}" for key in weights}
            writer.writerow(row)
    return text.getvalue()


def plan_json(plans: Sequence[RunPlan]) -> dict[str, Any]:
    """All plans with their curves; depths are magnitudes against the stack of all."""
    return {"schema": SCHEMA, "runs": [_run_json(plan) for plan in plans]}


def _run_json(plan: RunPlan) -> dict[str, Any]:
    whole = plan.everything.stack
    return plain(
        {
            "run": plan.run,
            "choices": {name: _cut_json(cut) for name, cut in choices(plan).items()},
            "recommended": {
                aim: _cut_json(cut) | {"paths": plan.kept_names(aim)}
                for aim, cut in plan.recommended.items()
            },
            "curves": {
                aim: {
                    "order": [plan.names[i] for i in curve.order],
                    "depth_mag": [stack.depth_mag - whole.depth_mag for stack in curve.stacks],
                    "noise": [stack.noise / whole.noise for stack in curve.stacks],
                    "fwhm_px": [stack.fwhm_px for stack in curve.stacks],
                    "elongation": [stack.elongation for stack in curve.stacks],
                    "exposure_s": [stack.exposure_s for stack in curve.stacks],
                    "aim_mag": curve.score_mag - curve.score_mag[-1],
                }
                for aim, curve in plan.curves.items()
            },
            "weights": {
                name: dict(zip(plan.names, values.tolist(), strict=True))
                for name, values in plan.weights.items()
            },
            "trails": [vars(trail) for trail in plan.trails],
            "clip": {
                "sigma": plan.clip_sigma,
                "can_reject": can_reject(plan.recommended["depth"].kept, plan.clip_sigma),
                "good_values_rejected": false_rejection(plan.clip_sigma),
                "good_noise_kept": clipped_spread(plan.clip_sigma),
            },
            "not_weighed": [{"path": name, "why": why} for name, why in plan.left_out],
            "assumed": plan.assumed,
        }
    )


def _cut_json(cut: Cut) -> dict[str, Any]:
    return {
        "subs": cut.kept,
        "deeper_mag": cut.deeper_mag,
        "width_ratio": cut.width_ratio,
        "fwhm_px": cut.stack.fwhm_px,
        "elongation": cut.stack.elongation,
        "noise_adu": cut.stack.noise,
        "exposure_s": cut.stack.exposure_s,
    }
