"""Small pieces of sentences about faults, shared by the verdicts, the summary and the report."""

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING

from classifier.vocabulary import fault

if TYPE_CHECKING:
    from classifier.evidence import Evidence


def percent(share: float) -> str:
    """A confidence for people: "87 %", never a rounded-up certainty."""
    if share > 0.99:
        return "over 99 %"
    if share < 0.01:
        return "under 1 %"
    return f"{100 * share:.0f} %"


def quantity(value: float, unit: str) -> str:
    """A number with its unit, to three figures and without exponents: "14.2 sigma"."""
    if not math.isfinite(value):
        return "unknown"
    digits = 0 if value == 0 else max(0, 2 - math.floor(math.log10(abs(value))))
    number = f"{value:,.{min(digits, 4)}f}"
    if "." in number:
        number = number.rstrip("0").rstrip(".")
    return f"{number} {unit}".rstrip()


def measured(evidence: "Evidence") -> str:
    """What was measured, beside the level it counts from."""
    if evidence.value is None:
        return evidence.note or "not measured"
    told = quantity(evidence.value, evidence.unit)
    if evidence.threshold is None:
        return told
    return f"{told}, counts from {quantity(evidence.threshold, '')}"


def described(
    key: str, confidence: float, evidence: "Evidence | None", measured_as: str = ""
) -> str:
    """A fault with the model's confidence and the measured value, where there is one, beside the
    level that it does not reach. measured_as: the fault whose evidence it is, if another."""
    told = f"{fault(key).title} ({percent(confidence)} sure"
    if evidence is not None and evidence.value is not None:
        value = quantity(evidence.value, evidence.unit)
        value = measured(evidence) if falls_short(key, evidence) else value
        how = f"measured as {fault(measured_as).title}:" if measured_as else "measured"
        told += f", {how} {value}"
    return told + ")"


def falls_short(key: str, evidence: "Evidence") -> bool:
    """Whether a measure finds less than its level; it may say no, or be unsure, of more as well."""
    if evidence.state == "yes" or evidence.value is None or evidence.threshold is None:
        return False
    more, level = evidence.value, evidence.threshold
    return more > level if fault(key).grows_downwards else more < level


def joined(parts: Iterable[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    words = list(parts)
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def capital(sentence: str) -> str:
    """The sentence with a capital first letter, all others left as they are."""
    return sentence[:1].upper() + sentence[1:]


def counted(number: int, noun: str) -> str:
    """ "1 sub", "12 subs"."""
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"


def duration(seconds: float) -> str:
    """Exposure time for people: "3 h 20 min", "45 min", "30 s"."""
    minutes = round(seconds / 60)
    if seconds < 90:
        return f"{seconds:.0f} s"
    if minutes < 60:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02d} min"
