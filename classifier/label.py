"""Labelling a night: the whole path from folders to verdicts, readable on one screen.

Worker processes examine the frames one by one (`examine`); here their findings are gathered into
runs, because many a fault shows only against the run's own subs: the run's context is given to
the network's last layers, the measures of the run are judged together, and `verdict` turns both
opinions into keep, look or drop.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import torch

from classifier import __version__
from classifier.advice import run_advice
from classifier.calibration_text import run_texts, sub_texts
from classifier.context import beside_run
from classifier.crew import File, examine_all, useful_workers
from classifier.errors import UsageError
from classifier.evidence import YES
from classifier.examine import Examined, Sight
from classifier.frame import find_frames
from classifier.masters import MasterFiles
from classifier.night_line import NightSub
from classifier.night_reading import read_night
from classifier.opinion import Levels, Opinion, group_confidence
from classifier.plan import weigh
from classifier.pointings import told_apart
from classifier.results import FrameResult, Results
from classifier.rig import Rig
from classifier.runs import judge_runs, run_key, time_order
from classifier.telling_stars import telling_stars
from classifier.verdict import Judgement, judge_run, noise_ratios
from classifier.vocabulary import KEYS

if TYPE_CHECKING:
    from classifier.cache import Cache
    from classifier.evidence import Evidence
    from classifier.weights import Model

Progress = Callable[[int, int, str], None]  # frames done, frames in all, name of the last one

WHERE_ITEMS = 200  # geometry beyond this many pieces helps nobody and swells the file


def label_night(
    folders: Sequence[Path],
    rig: Rig | None,
    model: "Model",
    workers: int | None = None,
    progress: Progress = lambda done, total, name: None,
    cache: "Cache | None" = None,
    masters: MasterFiles | None = None,
) -> Results:
    """Label every frame found in the folders. Raises UsageError if there is none.

    cache: of what earlier runs examined; kept up as the frames are done, so that an interrupted
    run is not lost. masters: dark and flat, to tell what calibration with them would leave.
    """
    files = find_frames(folders)
    if not files:
        places = ", ".join(str(folder) for folder in folders)
        raise UsageError(
            f"There is no frame to label in {places}; name a folder with FITS, camera raw or "
            "TIFF files."
        )
    if cache is not None and (kept := cache.find_night(files, model.config)) is not None:
        progress(len(files), len(files), files[-1][1])
        return kept
    examined: list[Examined] = []
    for one in _examined(files, rig, model, workers, cache, masters):
        examined.append(one)
        progress(len(examined), len(files), one.name)
    results = judge_night(examined, model)
    if cache is not None:
        cache.keep_night(files, model.config, results)
        cache.prune()
    return results


def _examined(
    files: Sequence[File],
    rig: Rig | None,
    model: "Model",
    workers: int | None,
    cache: "Cache | None",
    masters: MasterFiles | None,
) -> Iterator[Examined]:
    """All files examined: first those that the cache knows, then the others as they are done."""
    waiting = list(files)
    if cache is not None:
        waiting = []
        for path, name in files:
            known = cache.find(path, name)
            if known is None:
                waiting.append((path, name))
            else:
                yield known
    for one in examine_all(waiting, rig, model, useful_workers(len(waiting), workers), masters):
        if cache is not None:
            cache.keep(one)
        yield one


def judge_night(examined: Sequence[Examined], model: "Model") -> Results:
    """Examined frames, in any order -> results in order of name."""
    examined = sorted(examined, key=lambda one: one.name)
    seen = [(one.name, one.sight) for one in examined if one.sight is not None]
    frames = [
        FrameResult(one.name, why="This file could not be read.", error=one.error)
        for one in examined
        if one.error is not None
    ]
    judged = _judge_seen(seen, model)
    runs = _by_run(seen, judged)
    readings = read_night(runs)
    _advise(runs, judged)
    _calibrate(dict(seen), judged, readings)
    for run in runs:
        weigh([frame for frame in judged if frame.run == run])
    frames += judged
    frames.sort(key=lambda frame: frame.path)
    skipped = [{"path": one.name, "reason": one.skipped} for one in examined if one.skipped]
    return Results(made_with(model), frames, skipped, readings, dict(model.prior))


def _by_run(
    seen: Sequence[tuple[str, Sight]], judged: Sequence[FrameResult]
) -> dict[str, list[NightSub]]:
    """The subs of every run, as the reading of a night takes them."""
    sights = dict(seen)
    runs: dict[str, list[NightSub]] = {}
    for frame in judged:
        sight = sights[frame.path]
        sub = NightSub(frame.path, sight.facts, sight.size_px, sight.measures, tuple(frame.faults))
        runs.setdefault(frame.run, []).append(sub)
    return runs


def _advise(runs: dict[str, list[NightSub]], judged: Sequence[FrameResult]) -> None:
    """Put what can be said beyond the labels into the evidence of the frames."""
    told = {name: texts for subs in runs.values() for name, texts in run_advice(subs).items()}
    for frame in judged:
        for key, text in told.get(frame.path, {}).items():
            frame.evidence[key]["advice"] = text


def _calibrate(
    sights: dict[str, Sight], judged: Sequence[FrameResult], readings: list[dict]
) -> None:
    """Put what the masters would do beside the faults of each frame, and beside each run."""
    for frame in judged:
        for key, text in sub_texts(sights[frame.path].calibration).items():
            if key in frame.faults or frame.evidence[key]["state"] == YES:
                frame.evidence[key]["calibration"] = text
    for reading in readings:
        founds = [sights[name].calibration for name in reading["subs"]]
        reading["calibration"] = run_texts(founds)


def made_with(model: "Model") -> dict[str, str]:
    """What made these results, down to the bytes of the weights."""
    return {"nightcull": __version__, "model": model.name, "model_sha256": model.sha256}


def _judge_seen(seen: Sequence[tuple[str, Sight]], model: "Model") -> list[FrameResult]:
    sights = [sight for _, sight in seen]
    keys = [run_key(sight.facts, sight.size_px) for sight in sights]
    keys = told_apart(keys, [sight.measures.stars for sight in sights])
    evidence = judge_runs([(sight.facts, sight.measures) for sight in sights], keys)
    levels = Levels(model.thresholds, model.unsure, model.config["unfamiliar_threshold"])
    frames = []
    for key in dict.fromkeys(keys):
        members = [i for i, other in enumerate(keys) if other == key]
        run = [sights[i] for i in members]
        confidence, unfamiliar = _confidences(run, model)
        ratios = noise_ratios([sight.measures.numbers.get("noise_adu") for sight in run])
        opinions = [
            Opinion(
                confidence[j],
                evidence[i],
                unfamiliar[j],
                ratios[j],
                run[j].measures.numbers,
                math.prod(run[j].size_px),
            )
            for j, i in enumerate(members)
        ]
        judgements = judge_run(opinions, levels)
        for i, opinion, judgement in zip(members, opinions, judgements, strict=True):
            frames.append(_entry(*seen[i], key, opinion, judgement))
    return frames


def _confidences(
    run: Sequence[Sight], model: "Model"
) -> tuple[list[dict[str, float]], list[float]]:
    """The model's calibrated opinion on the frames of one run, and how strange each one is."""
    with torch.inference_mode():
        features = torch.from_numpy(np.stack([sight.features for sight in run]))
        shapes = torch.from_numpy(np.stack([sight.shape for sight in run]))
        context = beside_run(shapes, features, time_order([sight.facts for sight in run]))
        confidences = model.confidences(model.network.judge(features, context))
        unfamiliar = model.unfamiliar(features)
    rows = [dict(zip(KEYS, row, strict=True)) for row in confidences.tolist()]
    return rows, unfamiliar.tolist()


def _entry(
    name: str, sight: Sight, run: str, opinion: Opinion, judgement: Judgement
) -> FrameResult:
    where = _where(sight, opinion, judgement)
    return FrameResult(
        path=name,
        run=run,
        verdict=judgement.verdict,
        faults=list(judgement.faults),
        why=judgement.why,
        confidence=dict(opinion.confidence),
        groups=group_confidence(opinion.confidence),
        evidence={
            key: _written(found, show_perhaps=key in judgement.faults and key not in where)
            for key, found in opinion.evidence.items()
        },
        numbers=_numbers(sight),
        unfamiliar=opinion.unfamiliar,
        where=where,
        notes=sight.notes,
        picture=sight.picture,
    )


def _written(evidence: "Evidence", show_perhaps: bool) -> dict:
    """Evidence as the contract has it; a note is added only where there is one, and the likeliest
    place of what the measure does not vouch for only where the model alone sees the fault."""
    names = ("state", "value", "unit", "threshold")
    entry: dict = {name: getattr(evidence, name) for name in names}
    more: dict = {"note": evidence.note} if evidence.note else {}
    if show_perhaps and evidence.perhaps:
        more["perhaps"] = evidence.perhaps[:1]
    return entry | more


def _where(sight: Sight, opinion: Opinion, judgement: Judgement) -> dict[str, list]:
    """Places of what was labelled or measured, for faults of the stars with those that show it;
    the model's own line for a trail it alone sees."""
    found = {
        key: [*evidence.where, *telling_stars(key, sight.measures.shapes, sight.size_px)]
        for key, evidence in opinion.evidence.items()
        if evidence.state == "yes" or key in judgement.faults
    }
    where = {key: places[:WHERE_ITEMS] for key, places in found.items() if places}
    if "trail" in judgement.faults and "trail" not in where:
        where["trail"] = [sight.line_px]
    return where


def _numbers(sight: Sight) -> dict[str, float]:
    """The frame's measures, and of its header what people sort by."""
    named = ("exposure_s", "temperature_c", "altitude_deg", "scale_arcsec")
    numbers = {key: getattr(sight.facts, key, None) for key in named}
    if sight.facts.time_utc is not None:
        numbers["time_mjd"] = modified_julian_date(sight.facts.time_utc)
    known = {key: float(value) for key, value in numbers.items() if value is not None}
    return dict(sight.measures.numbers) | known


def modified_julian_date(moment: datetime) -> float:
    """Days since 1858 November 17, 0 h UTC; a time without a zone is taken as UTC."""
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return (moment - datetime(1858, 11, 17, tzinfo=UTC)).total_seconds() / 86400.0
