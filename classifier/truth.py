"""Truth tables: what is really wrong with each sub, as told by who rendered or looked at it.

A CSV file with a header. `file`: a sub's name as in `frames.json`, or as much of its end as
names one sub. `labels`: the keys of all faults that the sub has, apart by blanks, commas,
semicolons or bars; empty, `clean` or `good` for none. `unsure` (may be left out): faults that
nobody can tell of this sub, and that are not scored on it. A column called after a fault holds
its strength; only that it is empty counts, which makes that fault unsure too. `unfamiliar` (may
be left out): not empty and not "no" for a frame of something else than a star field, on which no
fault is scored. Other columns are not read.

The tables beside rendered subs are of this form, and so is one typed in a spreadsheet.
"""

import csv
import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from classifier.errors import UsageError
from classifier.vocabulary import KEYS
from classifier.wording import counted

NONE = ("clean", "good")


@dataclass(frozen=True)
class Truth:
    """labels: the faults a sub has; unsure: those it is not scored on. All others it has not.
    unfamiliar: it is no star field."""

    labels: frozenset[str]
    unsure: frozenset[str]
    unfamiliar: bool = False

    def of(self, key: str) -> bool | None:
        """Whether the sub has the fault; None = unsure."""
        return None if key in self.unsure else key in self.labels


@dataclass(frozen=True)
class TruthTable:
    """rows: truth by path of the results. notes: what did not fit together, in sentences."""

    rows: Mapping[str, Truth]
    notes: tuple[str, ...] = ()


def read_truth(path: Path, names: Sequence[str]) -> TruthTable:
    """The truth about the subs called `names` (paths of frames.json).

    Raises UsageError where the file is no truth table, a label is no fault, a sub stands in it
    twice, or it is about none of the subs.
    """
    ends = _ends(names)
    rows: dict[str, Truth] = {}
    strange = 0
    for number, row in _rows(path):
        file = row["file"].strip().replace("\\", "/")
        found = ends.get(file, [])
        if len(found) > 1:
            raise UsageError(
                f"{path}, line {number}: {file!r} may be {found[0]} or {found[1]}; write as much "
                "of the path as tells them apart."
            )
        truth = _truth(row, f"{path}, line {number}")
        if not found:
            strange += 1
        elif found[0] in rows:
            raise UsageError(f"{path}, line {number}: {file!r} is there twice; keep one line.")
        else:
            rows[found[0]] = truth
    if not rows:
        raise UsageError(
            f"{path} is about none of the labelled subs; its column `file` should hold names like "
            f"{names[0] if names else 'sub_00001.fits'!r}."
        )
    return TruthTable(rows, tuple(_notes(len(names) - len(rows), strange)))


def _notes(untold: int, strange: int) -> list[str]:
    notes = []
    if untold:
        notes.append(f"The truth of {counted(untold, 'labelled sub')} is not told: not scored.")
    if strange:
        notes.append(f"Of the table, {counted(strange, 'line')} told of other files: not used.")
    return notes


def _ends(names: Sequence[str]) -> dict[str, list[str]]:
    """Every way of naming a sub by the end of its path -> the subs so called; a whole path means
    that sub alone."""
    ends: dict[str, list[str]] = defaultdict(list)
    for name in names:
        parts = name.split("/")
        for first in range(1, len(parts)):
            ends["/".join(parts[first:])].append(name)
    return dict(ends) | {name: [name] for name in names}


def _rows(path: Path) -> list[tuple[int, dict[str, str]]]:
    """(line number, row) of every line that names a file."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise UsageError(f"There is no truth table {str(path)!r}; check the path.") from None
    except (IsADirectoryError, UnicodeDecodeError) as error:
        raise UsageError(f"{path} is no CSV file in UTF-8; save the table as one.") from error
    first = text.partition("\n")[0]
    # Spreadsheets write semicolons where the comma is the decimal sign.
    delimiter = ";" if first.count(";") > first.count(",") else ","
    reader = csv.DictReader(text.splitlines(), delimiter=delimiter)
    lacking = [name for name in ("file", "labels") if name not in (reader.fieldnames or ())]
    if lacking:
        raise UsageError(
            f"{path} has no column `{lacking[0]}`; its first line should name the columns `file` "
            "and `labels`."
        )
    rows = [
        (reader.line_num, {name: value or "" for name, value in row.items() if name})
        for row in reader
        if not row.get(None)
    ]
    return [(number, row) for number, row in rows if row["file"].strip()]


def _truth(row: Mapping[str, str], place: str) -> Truth:
    labels = _keys(row["labels"], place)
    unsure = _keys(row.get("unsure", ""), place)
    unsure |= {key for key in KEYS if key in row and not row[key].strip()}
    unfamiliar = row.get("unfamiliar", "").strip().lower() not in ("", "no")
    return Truth(labels, (frozenset(KEYS) if unfamiliar else unsure) - labels, unfamiliar)


def _keys(text: str, place: str) -> frozenset[str]:
    words = [word for word in re.split(r"[\s,;|]+", text.strip().lower()) if word]
    for word in words:
        if word not in KEYS and word not in NONE:
            raise UsageError(f"{place}: {word!r} is no fault; use {', '.join(KEYS)} or clean.")
    return frozenset(word for word in words if word in KEYS)
