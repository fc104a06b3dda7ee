"""The rig: what the user knows about camera and telescope that files often do not say.

    rig = read_rig(Path("rig.toml"))
    facts = rig.apply(facts)          # what the user states overrides the header

A rig file is TOML with any of the keys below, for example

    gain_e_adu = 0.25       # electrons per ADU
    read_noise_e = 1.5
    offset_adu = 500        # level without light
    pixel_um = 3.76         # the camera's own pixel, before binning
    focal_mm = 530
    aperture_mm = 106
"""

import math
import tomllib
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

from classifier.errors import RigError
from classifier.facts import Facts


@dataclass(frozen=True)
class Rig:
    """Camera and telescope; None leaves the matter to the header.

    `pixel_um` is the side of the camera's own pixel: binning, known from each header, is
    multiplied in by `apply`. RigError for a value that cannot be.
    """

    gain_e_adu: float | None = None
    read_noise_e: float | None = None
    offset_adu: float | None = None
    pixel_um: float | None = None
    focal_mm: float | None = None
    aperture_mm: float | None = None

    def __post_init__(self) -> None:
        for name, value in self.known().items():
            if isinstance(value, bool) or not isinstance(value, int | float):
                raise RigError(
                    f"{name} must be a number, not {value!r}; correct it or leave it out."
                )
            # A camera without offset (0 ADU) exists; nothing else here can be zero.
            if not math.isfinite(value) or value < 0 or (value == 0 and name != "offset_adu"):
                bound = "0 or more" if name == "offset_adu" else "above 0"
                raise RigError(f"{name} must be {bound}, not {value}; correct it or omit it.")

    def known(self) -> dict[str, float]:
        """The facts that are given, by name."""
        pairs = ((field.name, getattr(self, field.name)) for field in fields(self))
        return {name: value for name, value in pairs if value is not None}

    def updated(self, **options: float | None) -> "Rig":
        """This rig with the options that are not None put over it (command line over file)."""
        return replace(self, **{name: v for name, v in options.items() if v is not None})

    def apply(self, facts: Facts) -> Facts:
        """`facts` with what the rig knows put over what the header said."""
        known: dict[str, Any] = dict(self.known())
        if not known:
            return facts
        if self.pixel_um is not None:
            known["pixel_um"] = self.pixel_um * (facts.binning or 1)
        changed = replace(facts, **known)
        states_scale = self.pixel_um is not None or self.focal_mm is not None
        if states_scale and changed.pixel_um is not None and changed.focal_mm is not None:
            # The user's own optics have the last word on the scale.
            changed = replace(changed, wcs_scale_arcsec=None)
        return changed


def read_rig(path: Path) -> Rig:
    """The rig in a TOML file; RigError with one sentence if it cannot be understood."""
    try:
        table = tomllib.loads(Path(path).read_text(encoding="utf-8-sig"))
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise RigError(f"The rig file {path} cannot be read ({reason}); check the path.") from error
    except UnicodeDecodeError as error:
        raise RigError(f"The rig file {path} is not UTF-8 text; save it as UTF-8.") from error
    except tomllib.TOMLDecodeError as error:
        raise RigError(
            f"The rig file {path} is not valid TOML ({error}); write one `key = number` a line."
        ) from error
    names = [field.name for field in fields(Rig)]
    unknown = sorted(set(table) - set(names))
    if unknown:
        raise RigError(
            f"The rig file {path} has the unknown key {unknown[0]!r}; the keys are "
            f"{', '.join(names)}."
        )
    try:
        return Rig(**table)
    except RigError as error:
        raise RigError(f"In the rig file {path}: {error}") from error
