"""Model against measures as a page for people and a file for programs.

`write_comparison` makes `comparison.html`, one self-contained page like the report, and
`comparison.json` (schema "nightcull/comparison-1"), side by side and never over older ones.
"""

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from classifier.compare import Comparison, agreement, by_frame, is_told
from classifier.crosscheck import AGREEMENTS, MODEL_ONLY, Dispute, Tally
from classifier.errors import UsageError
from classifier.evidence import Evidence
from classifier.results import FrameResult, Picture, plain, write_whole
from classifier.scatter import HEIGHT, WIDTH, scatter
from classifier.sub_report import picture_row
from classifier.vocabulary import KEYS, fault
from classifier.web_page import rendered
from classifier.wording import capital, measured, percent

SCHEMA = "nightcull/comparison-1"
STEM = "comparison"
CARDS = 24  # disputed subs shown; the page stays within a few megabytes


def write_comparison(
    comparison: Comparison, folder: Path, pictures: Mapping[str, Picture]
) -> tuple[Path, Path]:
    """Write page and JSON into the folder; returns where they are, the page first.

    pictures: by path, as many as there are. UsageError where nothing can be written.
    """
    stem = free_stem(folder)
    text = json.dumps(as_json(comparison), indent=1, ensure_ascii=False, allow_nan=False)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        page = write_whole(folder / f"{stem}.html", render_comparison(comparison, pictures))
        return page, write_whole(folder / f"{stem}.json", text + "\n")
    except (PermissionError, FileExistsError, NotADirectoryError) as error:
        raise UsageError(
            f"The comparison cannot be written into {folder} ({error.strerror}); give --out a "
            "folder where you may write."
        ) from error


def free_stem(folder: Path) -> str:
    """ "comparison", or the first of comparison-2, -3, ... of which there is no file yet."""
    stem, number = STEM, 2
    while any((folder / f"{stem}{suffix}").exists() for suffix in (".html", ".json")):
        stem, number = f"{STEM}-{number}", number + 1
    return stem


def as_json(comparison: Comparison) -> dict[str, Any]:
    """The comparison as plain JSON types; what is not known is null."""
    scores = comparison.scores
    return {
        "schema": SCHEMA,
        "made_with": comparison.results.made_with,
        "frames": comparison.frames,
        "disputed_frames": comparison.disputed_frames,
        "thresholds": plain(comparison.thresholds),
        "faults": {
            tally.fault: {
                **{name.replace(" ", "_"): count for name, count in tally.counts.items()},
                "kappa": plain(tally.kappa),
            }
            for tally in comparison.tallies
        },
        "disputes": [plain(asdict(dispute)) for dispute in comparison.disputes],
        "scores": None if scores is None else plain(scores.as_json()),
    }


def disputed_paths(comparison: Comparison) -> list[str]:
    """The subs whose pictures the page shows."""
    return list(by_frame(comparison.disputes))[:CARDS]


def render_comparison(comparison: Comparison, pictures: Mapping[str, Picture]) -> str:
    """The page as text."""
    return rendered("comparison.html.j2", page(comparison, pictures))


def page(comparison: Comparison, pictures: Mapping[str, Picture]) -> dict[str, Any]:
    """Everything the template shows."""
    entries = {frame.path: frame for frame in comparison.read}
    disputed = by_frame(comparison.disputes)
    shown = disputed_paths(comparison)
    anchors = {path: f"sub-{i}" for i, path in enumerate(shown, 1)}
    plots = [scatter(key, comparison.read, comparison.thresholds) for key in KEYS]
    told = {tally.fault for tally in comparison.tallies if is_told(tally)}
    return {
        "frames": comparison.frames,
        "made_with": dict.fromkeys(("nightcull", "model", "model_sha256"), "")
        | comparison.results.made_with,
        "agreements": AGREEMENTS,
        "agreement": agreement(comparison),
        "tallies": [_tally_row(tally) for tally in comparison.tallies if is_told(tally)],
        "quiet": [fault(tally.fault).title for tally in comparison.tallies if not is_told(tally)],
        "plots": [plot for plot in plots if plot and plot.fault in told],
        "quiet_plots": [plot for plot in plots if plot and plot.fault not in told],
        "has_levels": comparison.thresholds is not None,
        "plot_width": WIDTH,
        "plot_height": HEIGHT,
        "titles": {key: capital(fault(key).title) for key in KEYS},
        "anchors": anchors,
        "cards": [
            _card(entries[path], disputed[path], anchors[path], pictures.get(path), comparison)
            for path in shown
        ],
        "others": [(path, _titles(disputed[path])) for path in disputed if path not in anchors],
        "has_pictures": any(path in pictures for path in shown),
        "scores": None if comparison.scores is None else comparison.scores.rows(),
        "score_notes": () if comparison.scores is None else comparison.scores.notes,
    }


def _tally_row(tally: Tally) -> dict[str, Any]:
    known = tally.kappa == tally.kappa
    return {
        "title": capital(fault(tally.fault).title),
        "key": tally.fault,
        "counts": [tally.counts[name] for name in AGREEMENTS],
        "kappa": f"{tally.kappa:.2f}" if known else "–",
    }


def _titles(found: Sequence[Dispute]) -> str:
    return ", ".join(f"{fault(d.fault).title} ({d.agreement})" for d in found)


def _card(
    frame: FrameResult,
    found: Sequence[Dispute],
    anchor: str,
    picture: Picture | None,
    comparison: Comparison,
) -> dict[str, Any]:
    disputed = {dispute.fault for dispute in found}
    return {
        "anchor": anchor,
        "path": frame.path,
        "verdict": str(frame.verdict),
        "why": frame.why,
        "picture": picture_row(_only(frame, disputed), picture) if picture else None,
        "arguments": [_argument(dispute, comparison.thresholds) for dispute in found],
    }


def _only(frame: FrameResult, keys: Collection[str]) -> FrameResult:
    """The frame with these faults and their places alone."""
    where = {key: shapes for key, shapes in frame.where.items() if key in keys}
    return FrameResult(frame.path, faults=list(keys), where=where)


def _argument(dispute: Dispute, thresholds: Mapping[str, float] | None) -> dict[str, str]:
    """Both sides of a dispute in words."""
    yes = dispute.agreement == MODEL_ONLY
    sure = f"{percent(dispute.confidence)} sure"
    if thresholds is not None:
        sure += f", gives the label from {percent(thresholds[dispute.fault])}"
    evidence = Evidence(
        "no" if yes else "yes", dispute.value, dispute.unit, dispute.threshold, dispute.note
    )
    found = measured(evidence)
    if dispute.note and dispute.value is not None:
        found += f" ({dispute.note})"
    if not yes and dispute.value is None:
        found = dispute.note or "seen, without a number"
    return {
        "title": capital(fault(dispute.fault).title),
        "model": f"{'yes' if yes else 'no'}: {sure}",
        "measure": f"{'no' if yes else 'yes'}: {found}",
    }
