"""Causes and remedies: complete, and with a caution wherever the work can hurt somebody."""

import re

import pytest

from classifier.errors import UsageError
from classifier.remedies import URGENCIES, cautions, explain_text, remedy
from classifier.vocabulary import KEYS, SET_FAULTS

ALL = [*KEYS, *(row.key for row in SET_FAULTS)]
CAUSES = [(key, cause) for key in ALL for cause in remedy(key).causes]

# The works that need a caution, by the words that name them in what the user is told to do.
WORKS = {
    "sun": r"twilight|\bdawn\b|daylight|by day\b|\bSun\b|telescope out",
    "mains": r"heater|hairdryer|\bmains\b|\bplugs?\b|12 V|extension lead",
    "lamps": r"neighbour|street|\blamps?\b",
    "falling": r"counterweight|\bloosen|[Rr]ebalance|the balance\b|tube lying|lying level",
    "laser": r"laser",
    "sensor": r"blower|desiccant|wipe only",
    "ice": r"desiccant|open the\s+camera|camera shut",
    "glass": r"front glass|Blow the filter|lens edges|retaining ring",
    "height": r"[Ll]ook along the tube|\bslit\b|dome;|tube's mouth",
    "site": r"dark site|\bdeck\b|companions|[Ll]ook along the tube|windbreak",
}

# What each caution has to say at least, as the list of cautions that must be there puts it.
MUST_SAY = {
    "sun": ["Sun", "full-aperture solar filter", "twilight flats"],
    "mains": ["residual-current", "dry", "licensed electrician", "local code"],
    "lamps": ["Never tamper", "street lighting", "neighbour", "council"],
    "falling": ["Counterweights", "Lock both axes", "loosen", "hand or a helper under"],
    "laser": ["eyes", "people", "roads", "aircraft"],
    "sensor": ["unplugged", "ambient temperature", "blower first", "manual", "do not survive"],
    "ice": ["ices up", "opened"],
    "glass": ["Do not wipe mirrors, lenses", "manual", "specialist", "fluids burn"],
    "height": ["ladder", "level ground", "motors", "overhead lines"],
    "site": ["trip", "cold", "tell someone where you are"],
}


def named(pair) -> str:
    return f"{pair[0]}: {pair[1].name}"


@pytest.mark.parametrize("key", ALL)
def test_every_fault_has_two_to_five_causes(key):
    entry = remedy(key)
    assert entry.key == key and entry.effect and entry.title and entry.what
    assert 2 <= len(entry.causes) <= 5
    assert len({cause.name for cause in entry.causes}) == len(entry.causes)


@pytest.mark.parametrize("pair", CAUSES, ids=named)
def test_no_cause_has_an_empty_field(pair):
    cause = pair[1]
    for text in (cause.sign, cause.tonight, cause.next_night, cause.processing):
        assert text.endswith((".", "!")) and "  " not in text and "\n" not in text
    assert cause.name and not cause.name.endswith(".")
    assert cause.urgency in URGENCIES
    assert set(cause.cautions) <= set(cautions())


@pytest.mark.parametrize("pair", CAUSES, ids=named)
def test_dangerous_work_carries_its_caution(pair):
    cause = pair[1]
    told_to_do = " ".join((cause.name, cause.tonight, cause.next_night, cause.processing))
    for caution, words in WORKS.items():
        if re.search(words, told_to_do):
            assert caution in cause.cautions, f"{caution} is missing"


@pytest.mark.parametrize("key", MUST_SAY)
def test_caution_says_what_it_must(key):
    for words in MUST_SAY[key]:
        assert words in cautions()[key]


def test_every_caution_is_used():
    assert set(MUST_SAY) == set(WORKS) == set(cautions())
    assert {c for _, cause in CAUSES for c in cause.cautions} == set(cautions())


def test_clear_sky_is_not_wasted_on_what_cannot_be_helped():
    """Sanity of the urgencies: a satellite stops nobody, a dewed lens does."""
    by_name = {(key, cause.name): cause.urgency for key, cause in CAUSES}
    assert by_name["trail", "satellite"] == "nothing to do"
    assert by_name["bloated_stars", "dew on the optics"] == "stop and fix now"
    assert by_name["dust_motes", "dust on the sensor window"] == "note for next time"
    assert set(by_name.values()) == set(URGENCIES)


@pytest.mark.parametrize("key", ALL)
def test_explain_text(key):
    text = explain_text(key, width=72)
    flat = " ".join(text.split())
    entry = remedy(key)
    assert max(map(len, text.splitlines())) <= 72 + len(" [stop and fix now]")  # one-line headings
    for cause in entry.causes:
        for part in (cause.name, cause.sign, cause.tonight, cause.next_night, cause.processing):
            assert part in flat
    for caution in entry.cautions.values():
        assert flat.count(caution) == 1


def test_unknown_fault_names_the_nearest():
    with pytest.raises(UsageError, match="no fault 'trial'; did you mean 'trail'"):
        remedy("trial")
    with pytest.raises(UsageError, match="did you mean 'hot_pixels'"):
        explain_text("Hot pixels")
    with pytest.raises(UsageError, match="The faults are: hot_pixels"):
        remedy("cautions")
