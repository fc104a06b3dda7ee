"""Model and measures against the truth: how many faults each finds, and how often each is wrong.

    scores = score(frames, read_truth(path, names))

Both are asked the same of the same subs. The model answers by its own thresholds and ranks by its
confidence; a measure answers with "yes" ("unknown" finds nothing) and ranks by `standing`.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from classifier.crosscheck import Entry, model_says
from classifier.results import FrameResult
from classifier.truth import TruthTable
from classifier.vocabulary import KEYS, fault
from classifier.wording import capital

Z_95 = 1.959964  # of the standard normal distribution, two-sided 95 %


@dataclass(frozen=True)
class Side:
    """One judge of one fault. NaN = cannot be said. average_precision: area under precision
    against recall. recall, false_alarms: share of the subs with and without the fault that are
    given its label, each with a 95 % interval. precision: share of the labels given that are
    right."""

    average_precision: float
    recall: float
    recall_interval: tuple[float, float]
    precision: float
    false_alarms: float
    false_alarms_interval: tuple[float, float]


@dataclass(frozen=True)
class FaultScore:
    """One fault. positives, negatives: subs with and without it; judged: of both, those on which
    the measure has an opinion."""

    fault: str
    positives: int
    negatives: int
    judged: int
    model: Side
    measure: Side


@dataclass(frozen=True)
class Scores:
    """All faults, in the vocabulary's order; notes on subs that could not be scored."""

    frames: int
    faults: tuple[FaultScore, ...]
    notes: tuple[str, ...] = ()

    def macro(self, judge: str) -> float:
        """Mean average precision of "model" or "measure" over the faults that some sub has."""
        known = [getattr(row, judge).average_precision for row in self.faults if row.positives]
        return sum(known) / len(known) if known else math.nan

    def as_json(self) -> dict[str, Any]:
        faults = {
            row.fault: {k: v for k, v in asdict(row).items() if k != "fault"} for row in self.faults
        }
        macro = {judge: self.macro(judge) for judge in ("model", "measure")}
        return {"frames": self.frames, "macro_average_precision": macro, "faults": faults}

    def rows(self) -> list[dict[str, Any]]:
        """For people: faults that some sub has or some judge gives, numbers as words."""
        return [_row(row) for row in self.faults if row.positives or _gives(row)]


def score(
    frames: Sequence[FrameResult],
    table: TruthTable,
    thresholds: Mapping[str, float] | None = None,
) -> Scores:
    """Score labelled subs; those without a row in the table, or unreadable, are left out.
    thresholds: of the model, see `crosscheck.model_says`."""
    listed = [frame for frame in frames if frame.path in table.rows and not frame.error]
    faults = []
    for key in KEYS:
        told = [(frame, table.rows[frame.path].of(key)) for frame in listed]
        known = [(frame, is_so) for frame, is_so in told if is_so is not None]
        model = [model_says(key, f.faults, f.confidence, thresholds) for f, _ in known]
        faults.append(_fault_score(key, known, model))
    return Scores(len(listed), tuple(faults), table.notes)


def _fault_score(
    key: str, told: Sequence[tuple[FrameResult, bool]], model: Sequence[bool]
) -> FaultScore:
    truth = [is_so for _, is_so in told]
    found = [frame.evidence.get(key) or {"state": "unknown"} for frame, _ in told]
    measure = [each["state"] == "yes" for each in found]
    return FaultScore(
        key,
        sum(truth),
        len(truth) - sum(truth),
        sum(each["state"] != "unknown" for each in found),
        _side(truth, model, [frame.confidence[key] for frame, _ in told]),
        _side(truth, measure, [standing(key, each) for each in found]),
    )


def standing(key: str, evidence: Entry) -> float:
    """How far a measure speaks for a fault, 0 to 3, to rank subs by: "no" is under 1, "unknown"
    from 1 to 2, "yes" above, and within each the value over its level decides."""
    place = {"no": 0.0, "unknown": 1.0, "yes": 2.0}[evidence["state"]]
    value, level = evidence.get("value"), evidence.get("threshold")
    if value is None or not level or not math.isfinite(value):
        return place + 0.5
    ratio = max(value / level, 1e-9)
    # r / (1 + r) rises from 0 through 1/2 at the level towards 1.
    share = ratio / (1.0 + ratio)
    return place + (1.0 - share if fault(key).grows_downwards else share)


def _side(truth: Sequence[bool], given: Sequence[bool], rank: Sequence[float]) -> Side:
    from sklearn.metrics import average_precision_score

    right = sum(t and g for t, g in zip(truth, given, strict=True))
    wrong = sum(given) - right
    positives, negatives = sum(truth), len(truth) - sum(truth)
    return Side(
        float(average_precision_score(truth, rank)) if positives else math.nan,
        right / positives if positives else math.nan,
        wilson_interval(right, positives),
        right / sum(given) if any(given) else math.nan,
        wrong / negatives if negatives else math.nan,
        wilson_interval(wrong, negatives),
    )


def wilson_interval(count: int, total: int) -> tuple[float, float]:
    """95 % interval of a share of which `count` of `total` were seen (Wilson 1927, J. Am. Stat.
    Assoc. 22, 209); NaN of nothing."""
    if total == 0:
        return math.nan, math.nan
    share, z2 = count / total, Z_95**2
    middle = (share + z2 / (2 * total)) / (1 + z2 / total)
    half = Z_95 * math.sqrt(share * (1 - share) / total + z2 / (4 * total**2)) / (1 + z2 / total)
    return max(0.0, middle - half), min(1.0, middle + half)


def _gives(row: FaultScore) -> bool:
    return any(side.false_alarms > 0 for side in (row.model, row.measure))


def _row(row: FaultScore) -> dict[str, Any]:
    sides = {
        name: {
            "average_precision": _number(side.average_precision),
            "recall": _share(side.recall),
            "precision": _share(side.precision),
            "false_alarms": _share(side.false_alarms),
            "recall_interval": _between(side.recall_interval),
            "false_alarms_interval": _between(side.false_alarms_interval),
        }
        for name, side in (("model", row.model), ("measure", row.measure))
    }
    named = {"key": row.fault, "title": capital(fault(row.fault).title)}
    return named | {"positives": row.positives, "judged": row.judged, **sides}


def _number(value: float) -> str:
    return f"{value:.2f}" if math.isfinite(value) else "–"


def _share(value: float) -> str:
    return f"{100 * value:.0f} %" if math.isfinite(value) else "–"


def _between(interval: tuple[float, float]) -> str:
    low, high = interval
    return f"{_share(low)} to {_share(high)}" if math.isfinite(low) else "–"
