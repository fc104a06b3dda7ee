"""What masters would do to a sub and to a run, in sentences.

texts = sub_texts(found)              # by fault key, from `calibration.calibration_of`
sentences = run_texts([found, ...])   # "Your flat does not belong to these subs: ..."
"""

import math
from collections.abc import Mapping, Sequence
from statistics import median

from classifier.vocabulary import fault
from classifier.wording import joined

Found = Mapping[str, Mapping]

FITS = " fits these subs: "

GONE, LITTLE = 0.25, 0.7  # share of a fault left from which it counts as removed, as barely touched
NOTHING_PCT = 0.5  # a shadow or slope this faint is nothing
GLOW_SHARE = 0.2  # of the sub's slope that the dark must show to have a part in it
BELONGS_FROM = 0.5  # share of the hot pixels that the dark of the same sensor holds at least
# Cosmic rays alone make a tenth of this in a sub of ten minutes (one a minute and cm2, cp).
LEAST_HOT_PCT = 0.005
FLAT_FITS = 0.4  # share of the fall-off that may be left by a flat that fits
LEAST_FALL_PCT = 8.0


def sub_texts(found: Found) -> dict[str, str]:
    """One sentence by fault: would calibration remove it from this sub, and what is left; none
    where nothing was found."""
    if "unusable" in found:
        why = f"Calibration could not be tried: {found['unusable']['why']}."
        return dict.fromkeys(("hot_pixels", "dust_motes", "vignetting", "gradient"), why)
    texts = {
        "hot_pixels": _hot(found.get("hot_pixels")),
        "dust_motes": _dust(found.get("dust_motes")),
        "vignetting": _vignetting(found.get("vignetting")),
        "gradient": _glow(found.get("gradient")),
    }
    return {key: text for key, text in texts.items() if text}


def _hot(hot: Mapping | None) -> str:
    if hot is None or not hot["before"] > 0:
        return ""
    counts = fault("hot_pixels").counts_from
    left = f"{hot['before']:.3f} % of the pixels are hot before and {hot['after']:.3f} % after"
    if math.isfinite(hot["shared"]):
        share = f"{100 * hot['shared']:.0f} % of the {hot['looked']:,} hot pixels looked at"
        left = f"it holds {share}, and {left} subtracting it"
    if hot["turned"]:
        return (
            f"Your dark does not remove this as it lies: {left}; turned {hot['turned']} it would "
            "match, so one of the two was stored turned over."
        )
    is_other = hot["shared"] < BELONGS_FROM  # then it takes too much in other places
    if not is_other and hot["holes"] > max(GONE * hot["before"], 0.2 * counts):
        return f"Your dark takes too much: {left}, and {hot['holes']:.3f} % are holes then."
    if hot["after"] <= max(GONE * hot["before"], 0.2 * counts):
        return f"Your dark removes this: {left}."
    if hot["after"] >= LITTLE * hot["before"]:
        return f"Your dark does not remove this: {left}."
    return f"Your dark removes a part of this: {left}."


def _dust(dust: Mapping | None) -> str:
    if dust is None or not math.isfinite(dust["after"]):
        return ""
    left = (
        f"the shadow at ({dust['x']:.0f}, {dust['y']:.0f}) takes {dust['before']:.1f} %, in the "
        f"flat {max(dust['flat'], 0.0):.1f} %, and {_left(dust['after'])} after dividing"
    )
    size = abs(dust["after"])
    if size <= max(GONE * dust["before"], 2 * dust["error"], NOTHING_PCT):
        return f"Your flat removes this: {left}."
    moved = ""
    if "moved_px" in dust:
        moved = f"; the flat has a like shadow {dust['moved_px']:.0f} px away: camera or dust moved"
    if size >= LITTLE * dust["before"]:
        return f"Your flat does not remove this: {left}{moved}."
    return f"Your flat removes a part of this: {left}{moved}."


def _left(after_pct: float) -> str:
    if after_pct <= -0.05:
        return f"the place is {-after_pct:.1f} % too bright"
    return f"{abs(after_pct):.1f} % is left"


def _vignetting(fall: Mapping | None) -> str:
    if fall is None or not math.isfinite(fall["master"]) or not math.isfinite(fall["after"]):
        return ""
    left = (
        f"the corners lie {fall['before']:.0f} % below the centre, the flat's "
        f"{abs(fall['master']):.0f} %, and after dividing {abs(fall['after']):.1f} % "
        f"{'below' if fall['after'] >= 0 else 'above'} it"
    )
    size = abs(fall["after"])
    if size <= max(GONE * fall["before"], 2.0):
        return f"Your flat removes this: {left}."
    if size >= LITTLE * fall["before"]:
        return f"Your flat does not remove this: {left}."
    return f"Your flat removes a part of this: {left}."


def _glow(slope: Mapping | None) -> str:
    """Only a dark can tell that a slope is the sensor's own."""
    if slope is None or not math.isfinite(slope["master"]):
        return ""
    if not (math.isfinite(slope["before"]) and math.isfinite(slope["after"])):
        return ""
    left = (
        f"the slope is {slope['before']:.0f} % of the sky before and {slope['after']:.0f} % after"
    )
    if slope["master"] < GLOW_SHARE * slope["before"]:
        return (
            f"Calibration does not remove this: the dark itself slopes by {slope['master']:.1f} % "
            f"of the sky only, so this is light from outside; {left}."
        )
    if slope["after"] <= max(2 * GONE * slope["before"], NOTHING_PCT):
        return f"Your dark removes this: it is the sensor's own glow; {left}."
    return f"Your dark removes a part of this: it has a slope of {slope['master']:.0f} %; {left}."


def run_texts(founds: Sequence[Found]) -> list[str]:
    """What the masters are worth for a whole run; empty without masters."""
    founds = [found for found in founds if found]
    if not founds:
        return []
    unusable = [found["unusable"]["why"] for found in founds if "unusable" in found]
    if len(unusable) > 0.5 * len(founds):
        return [f"Your masters cannot be used on these subs: {unusable[0]}."]
    return [text for text in (_dark_of_run(founds), _flat_of_run(founds)) if text]


def is_trouble(text: str) -> bool:
    """Whether a sentence of `run_texts` asks for something to be done."""
    return FITS not in text


def _values(founds: Sequence[Found], key: str, name: str) -> list[float]:
    values = [found[key].get(name, math.nan) for found in founds if key in found]
    return [value for value in values if math.isfinite(value)]


def _differs(founds: Sequence[Found], kind: str) -> str:
    """How the master was taken otherwise, as most subs have it."""
    every = [part for found in founds for part in found[kind]["differs"]]
    common = [part for part in dict.fromkeys(every) if every.count(part) > 0.5 * len(founds)]
    return joined(common)


def _dark_of_run(founds: Sequence[Found]) -> str:
    if not any("hot_pixels" in found for found in founds):
        return ""
    differs = _differs(founds, "dark")
    holes = _values(founds, "hot_pixels", "holes")
    shared, after = _values(founds, "hot_pixels", "shared"), _values(founds, "hot_pixels", "after")
    before = _values(founds, "hot_pixels", "before")
    turned = [found["hot_pixels"]["turned"] for found in founds if "hot_pixels" in found]
    if shared and sum(map(bool, turned)) > 0.5 * len(turned):
        way = next(word for word in turned if word)
        return (
            f"Your dark lies turned {way} against these subs: set the same row order in both, then "
            "subtract."
        )
    if shared and median(shared) < BELONGS_FROM and median(before) >= LEAST_HOT_PCT:
        but = f" (it was {differs})" if differs else ""
        return (
            f"Your dark does not belong to these subs: it holds {100 * median(shared):.0f} % of "
            f"their hot pixels{but}."
        )
    if holes and median(holes) > max(GONE * median(before), LEAST_HOT_PCT):
        but = f"it was {differs}" if differs else "it is warmer or longer than its header says"
        if median(before) < LEAST_HOT_PCT:
            but = "are they calibrated already?"
        return (
            f"Your dark takes too much from these subs: {median(before):.3f} % of their pixels are "
            f"hot before, and {median(holes):.3f} % are holes after subtracting it; {but}."
        ).replace("?.", "?")
    if shared and median(before) < LEAST_HOT_PCT:
        return (
            f"Your dark cannot be told to belong to these subs or not: only {median(before):.4f} % "
            f"of their pixels are hot{f' (it was {differs})' if differs else ''}."
        )
    told = f"it was {differs}" if differs else ""
    if shared:
        kept = (
            f"it holds {100 * median(shared):.0f} % of their hot pixels, and {median(before):.3f} "
            f"% of all pixels are hot before and {median(after):.3f} % after subtracting it"
        )
        told = f"{kept}, though {told}: take one that matches" if told else kept
        return f"Your dark{FITS}{told}." if not differs else f"Your dark: {told}."
    return f"Your dark does not match these subs: {told}." if told else ""


def _flat_of_run(founds: Sequence[Found]) -> str:
    falls = _values(founds, "vignetting", "master")
    if not falls:
        return ""
    differs = _differs(founds, "flat")
    fall, left = median(falls), median(_values(founds, "vignetting", "after") or [math.nan])
    before = median(_values(founds, "vignetting", "before") or [math.nan])
    wrong = []
    depths, after = _values(founds, "dust_motes", "before"), _values(founds, "dust_motes", "after")
    if depths and median(abs(a) for a in after) > LITTLE * median(depths):
        moved = _values(founds, "dust_motes", "moved_px")
        away = f", where its own lie {median(moved):.0f} px away" if moved else ""
        wrong.append(
            f"their shadows of {median(depths):.1f} % keep {abs(median(after)):.1f} %{away}"
        )
    strange = _values(founds, "foreign", "depth")
    if len(strange) > 0.5 * len(founds):
        wrong.append(f"it has a shadow of {median(strange):.1f} % that they do not have")
    uneven = max(before, fall)
    if uneven >= LEAST_FALL_PCT and abs(left) > FLAT_FITS * uneven:
        wrong.append(
            f"their corners lie {before:.0f} % below the centre, its own {abs(fall):.0f} %, and "
            f"{abs(left):.0f} % {'are left' if left > 0 else 'too much are added'}"
        )
    if wrong:
        told = f"{joined(wrong)}{f' (it was {differs})' if differs else ''}"
        return f"Your flat does not belong to these subs: {told}."
    told = f"the corners, {before:.0f} % down, come within {abs(left):.1f} % of the centre"
    if depths:
        told += f", and shadows of {median(depths):.1f} % keep {abs(median(after)):.1f} %"
    but = f" It was {differs}, though." if differs else ""
    return f"Your flat{FITS}{told}.{but}"
