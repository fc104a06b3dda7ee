"""Causes and remedies of every fault: what tells the causes apart, what to do, what to beware of.

The words live in `remedies.toml` beside this file; this module only reads and lays them out. Use
`remedy("trail")` for the data (the report does) and `explain_text("trail")` for a page of plain
text (the terminal does). The advice is common practice, not a measurement of one's own rig, and
it replaces neither a maker's manual nor local codes.
"""

import difflib
import textwrap
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources

from classifier.errors import UsageError
from classifier.vocabulary import FAULTS, SET_FAULTS, fault

URGENCIES: tuple[str, ...] = ("stop and fix now", "note for next time", "nothing to do")

FOOTER = (
    "This advice is common practice, not a measurement of your rig. Makers' manuals, local codes "
    "and licensed trades come first."
)


@dataclass(frozen=True)
class Cause:
    """One cause of a fault; every text is one paragraph in plain words.

    `urgency` is one of `URGENCIES`; `cautions` holds keys of `cautions()`.
    """

    name: str
    sign: str
    tonight: str
    next_night: str
    processing: str
    urgency: str
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class Remedy:
    """All that is known about a fault: its effect on the stack, and its causes, likeliest first."""

    key: str
    title: str
    what: str
    effect: str
    causes: tuple[Cause, ...]

    @property
    def cautions(self) -> dict[str, str]:
        """The cautions that any of the causes calls for, key to text, in order of appearance."""
        texts = cautions()
        return {key: texts[key] for cause in self.causes for key in cause.cautions}


@cache
def remedy(key: str) -> Remedy:
    """Causes and remedies of the fault `key`; UsageError names the nearest key if there is none."""
    known = [row.key for row in FAULTS + SET_FAULTS]
    if key not in known:
        near = difflib.get_close_matches(key.lower().replace(" ", "_"), known, n=1)
        hint = f"did you mean {near[0]!r}? " if near else ""
        raise UsageError(f"There is no fault {key!r}; {hint}The faults are: {', '.join(known)}.")
    entry = _rows()[key]
    causes = tuple(
        Cause(
            **{name: _flow(value) for name, value in cause.items() if name != "cautions"},
            cautions=tuple(cause["cautions"]),
        )
        for cause in entry["causes"]
    )
    about = fault(key)
    return Remedy(key, about.title, about.what, _flow(entry["effect"]), causes)


def cautions() -> dict[str, str]:
    """Every caution, key to text, in the order of the data file."""
    return {key: _flow(text) for key, text in _rows()["cautions"].items()}


def explain_text(key: str, width: int = 88) -> str:
    """The whole entry of a fault as plain text, wrapped to `width` columns, without a line end.

    Each caution stands in full below the first cause that calls for it: whoever reads one cause
    at the telescope must not have to look for it elsewhere.
    """
    entry = remedy(key)
    about = fault(key)
    lines = [
        *textwrap.wrap(f"{entry.key}: {entry.what}", width),
        f"Counts from: {about.counts_from:g} {about.unit}",
        "",
        *textwrap.wrap(entry.effect, width, break_on_hyphens=False),
    ]
    told: set[str] = set()
    texts = cautions()
    for number, cause in enumerate(entry.causes, start=1):
        lines += ["", f"{number}. {cause.name} [{cause.urgency}]"]
        paragraphs = [
            ("Sign", cause.sign),
            ("Tonight", cause.tonight),
            ("Next night", cause.next_night),
            ("Processing", cause.processing),
        ]
        paragraphs += [("CAUTION", texts[c]) for c in cause.cautions if c not in told]
        repeated = [c for c in cause.cautions if c in told]
        if repeated:
            paragraphs.append(("CAUTION", f"{', '.join(repeated)}: as above."))
        told.update(cause.cautions)
        for label, text in paragraphs:
            lines += _paragraph(label, text, width)
    return "\n".join([*lines, "", *textwrap.wrap(FOOTER, width)])


def _paragraph(label: str, text: str, width: int) -> list[str]:
    first = f"   {label:<12}"
    following = " " * len(first)
    return textwrap.wrap(
        text,
        width,
        initial_indent=first,
        subsequent_indent=following,
        break_on_hyphens=False,
    )


def _flow(text: str) -> str:
    """One paragraph on one line: the data file breaks lines for its own width."""
    return " ".join(text.split())


@cache
def _rows() -> dict:
    path = resources.files("classifier").joinpath("remedies.toml")
    return tomllib.loads(path.read_text(encoding="utf-8"))
