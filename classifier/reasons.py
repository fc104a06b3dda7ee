"""Why a sub gets its verdict, in words: the parts of the sentence that the rules put together."""

from collections.abc import Sequence

from classifier.opinion import Opinion, any_of, confirmed, same_light
from classifier.vocabulary import fault
from classifier.wording import capital, counted, falls_short, joined, percent

_CURES = {
    "hot_pixels": "darks and dithering remove them",
    "dust_motes": "flats remove them",
    "vignetting": "flats remove it",
    "diffraction_spikes": "they harm the bright stars only",
    "gradient": "it adds little noise and can be fitted away",
    "low_signal": "it still adds depth, longer subs would add more",
    "bayer_grid": "the one good colour plane can be used alone",
}
_TRAIL_CURE = "in a run of {subs} the sub is needed; clipping cannot reject the trail, so mask it"


def one_of_several(key: str, opinion: Opinion) -> str:
    """A fault that may as well be another that is the same light, for people."""
    others = [fault(other).title for other in same_light(key) if other != key]
    joint = percent(any_of(same_light(key), opinion.confidence))
    return f"{opinion.described(key)}, or {' or '.join(others)} ({joint} that it is one of these)"


def in_place_of(model_says: str, key: str, opinion: Opinion) -> str:
    """A fault for people, and why it is not the one that the model says."""
    if key == model_says:
        return opinion.described(key)
    why = opinion.evidence[key].note or f"the measure finds {fault(key).title}"
    return f"{fault(key).title}: the model says {opinion.described(model_says)}, but {why}"


def left_open(key: str, opinion: Opinion) -> str:
    """What the measure saw of a fault that it reaches no level of and does not deny, "" if nothing:
    without it the number alone would speak against the label."""
    found = opinion.evidence.get(key)
    if found is None or found.state != "unknown" or not found.note or confirmed(key, opinion):
        return ""
    return f"; {found.note}" if falls_short(key, found) else ""


def why_disputed(
    opinion: Opinion, against: Sequence[str], unconfirmed: Sequence[str], doubtful: Sequence[str]
) -> str:
    """The reason to look by rule 3, or an empty string."""
    told = capital(joined(opinion.described(key) for key in against or unconfirmed or doubtful))
    if against:
        return f"{told}, but the measure says no."
    if unconfirmed:
        return f"{told}, but no measure confirms it and its run is too short to compare."
    if doubtful:
        return f"{told}, but that is not very sure and no measure bears it out."
    return ""


def why_keep(faults: Sequence[str], run_size: int, too_short: int | None) -> str:
    """What a kept sub has, and what takes care of it. too_short: the longest run that cannot tell
    swollen stars, where that is left open."""
    cures = _CURES | {"trail": _TRAIL_CURE.format(subs=counted(run_size, "sub"))}
    told = capital(joined(f"{fault(key).title} ({cures[key]})" for key in faults))
    told = told or "No fault found"
    if too_short is not None:
        told += f"; whether its stars are swollen takes a run of more than {too_short} subs to say"
    return told + "."
