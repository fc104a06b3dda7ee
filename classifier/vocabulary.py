"""The fault vocabulary: one table that everything else is keyed by.

The order of `FAULTS` is the order of the network's outputs. A row says what a fault is, what
it does to a sub, and from which level it counts (`counts_from`, in `unit`). Well below that
level (`clean_below`) a frame is free of the fault; between the two the training target is soft
and the frame is left out of scoring. Adding a fault means one row here, one recipe in
`synth/recipes.py` and one measure in `classifier/measures.py`; a test fails if any is missing.
"""

from dataclasses import dataclass
from enum import StrEnum


class Effect(StrEnum):
    """What a fault does to a sub."""

    SPOILS = "spoils"  # the light itself is lost or smeared: drop the sub
    CALIBRATES = "calibrates"  # flats, darks or dithering remove it: keep the sub
    DEPENDS = "depends"  # the run, the strength or the aim decides


class Verdict(StrEnum):
    """What to do with a sub. `look` asks for the photographer's own eye."""

    KEEP = "keep"
    LOOK = "look"
    DROP = "drop"


@dataclass(frozen=True)
class Fault:
    """One row of the vocabulary.

    `counts_from` and `clean_below` are strengths in `unit`. Where `counts_from` is the smaller
    of the two, the fault grows as the number falls (signal, plane ratio).
    """

    key: str
    title: str
    what: str
    effect: Effect
    unit: str
    counts_from: float
    clean_below: float

    @property
    def grows_downwards(self) -> bool:
        return self.counts_from < self.clean_below

    def target(self, strength: float) -> float:
        """Training target in [0, 1] for a strength: 0 clean, 1 faulty, a ramp between."""
        ramp = (strength - self.clean_below) / (self.counts_from - self.clean_below)
        return min(1.0, max(0.0, ramp))

    def is_scored(self, strength: float) -> bool:
        """Whether a frame of this strength is clear enough to score a model on."""
        return self.target(strength) in (0.0, 1.0)


FAULTS: tuple[Fault, ...] = (
    Fault(
        "hot_pixels",
        "hot pixels",
        "many single pixels or columns far above their neighbours",
        Effect.CALIBRATES,
        "% of pixels over 10 sigma",
        0.05,
        0.025,
    ),
    Fault(
        "dust_motes",
        "dust shadows",
        "dark discs or rings fixed on the sensor",
        Effect.CALIBRATES,
        "% of the sky",
        3.0,
        1.5,
    ),
    Fault(
        "vignetting",
        "vignetting",
        "corners darker than the centre",
        Effect.CALIBRATES,
        "% below the centre",
        30.0,
        15.0,
    ),
    Fault(
        "clouds",
        "clouds",
        "stars dimmed, evenly or in patches, mostly with glow",
        Effect.SPOILS,
        "mag lost",
        0.25,
        0.125,
    ),
    Fault(
        "vibration",
        "vibration",
        "every star smeared or doubled the same way, in this sub and not in its neighbours",
        Effect.SPOILS,
        "elongation",
        1.25,
        1.125,
    ),
    Fault(
        "drift",
        "drift",
        "egg-shaped stars, all in one direction",
        Effect.SPOILS,
        "elongation",
        1.25,
        1.125,
    ),
    Fault(
        "defocus",
        "out of focus",
        "stars are flat discs or rings",
        Effect.SPOILS,
        "times the in-focus HFR",
        1.6,
        1.3,
    ),
    Fault(
        "trail",
        "trail",
        "a straight line across: satellite, aircraft or meteor",
        Effect.DEPENDS,
        "sigma over its length",
        8.0,
        4.0,
    ),
    Fault(
        "bloated_stars",
        "bloated stars",
        "stars swollen or soft: poor seeing, dew or thin haze",
        Effect.SPOILS,
        "times the good FWHM",
        1.4,
        1.2,
    ),
    Fault(
        "miscollimation",
        "miscollimation",
        "stars lopsided the same way at the centre of the field",
        Effect.SPOILS,
        "times the aligned HFR",
        1.25,
        1.125,
    ),
    Fault(
        "diffraction_spikes",
        "odd diffraction spikes",
        "uneven spikes from a cable, a loose vane or a torn baffle",
        Effect.DEPENDS,
        "sigma beyond 6 FWHM",
        3.0,
        1.5,
    ),
    Fault(
        "gradient",
        "gradient",
        "sky brighter to one side: Moon, twilight, town or a lamp",
        Effect.DEPENDS,
        "% of the sky",
        15.0,
        7.5,
    ),
    Fault(
        "guiding_loss",
        "guiding loss",
        "stars drawn as hooks, steps, right angles or several images",
        Effect.SPOILS,
        "path in good FWHMs",
        1.5,
        0.75,
    ),
    Fault(
        "low_signal",
        "too little signal",
        "the sub is too short or the sky too dim: read noise rules",
        Effect.DEPENDS,
        "sky electrons per squared read noise",
        3.0,
        6.0,
    ),
    Fault(
        "bayer_grid",
        "Bayer grid",
        "narrow-band light reaches one colour plane only",
        Effect.DEPENDS,
        "weakest plane / strongest plane",
        0.25,
        0.5,
    ),
    Fault(
        "reflection",
        "reflection",
        "discs, rings, arcs or fans of stray light",
        Effect.DEPENDS,
        "% of the sky",
        3.0,
        1.5,
    ),
)

SET_FAULTS: tuple[Fault, ...] = (
    Fault(
        "rotation_mismatch",
        "rotation mismatch",
        "the field is turned or shifted against the other subs",
        Effect.DEPENDS,
        "degrees",
        0.5,
        0.25,
    ),
)

KEYS: tuple[str, ...] = tuple(fault.key for fault in FAULTS)
INDEX: dict[str, int] = {key: i for i, key in enumerate(KEYS)}

# Faults that one frame alone cannot always tell apart because they are the same light.
# The joint confidence of a group is that at least one of its members holds.
GROUPS: dict[str, tuple[str, ...]] = {
    "elongated": ("drift", "vibration", "guiding_loss"),
    "soft": ("defocus", "bloated_stars"),
}

# Two faults that are the same light up to a strength of each: a star smeared by less than its own
# width does not tell how it was moved. A sine as wide as the star (amplitude one FWHM, which adds
# A^2 / 2 to a variance of (FWHM / 2.3548)^2) stretches it to 1.94. A path that comes back or turns
# half-way has two legs: of 2.4 FWHM each is 1.2, and between two equal Gaussian images so far
# apart the light falls by over a quarter.
_SINE, _TWO_LEGS = 1.94, 2.4
SAME_LIGHT: dict[tuple[str, str], tuple[float, float]] = {
    ("vibration", "drift"): (_SINE, _SINE),
    ("vibration", "guiding_loss"): (_SINE, _TWO_LEGS),
    ("drift", "guiding_loss"): (_SINE, _TWO_LEGS),
}

VOCABULARY_VERSION = 1


def fault(key: str) -> Fault:
    """The row of `key`; KeyError with the known keys if there is none."""
    for row in FAULTS + SET_FAULTS:
        if row.key == key:
            return row
    known = ", ".join(row.key for row in FAULTS + SET_FAULTS)
    raise KeyError(f"no fault is called {key!r}; the faults are {known}")
