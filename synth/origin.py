"""What a rendered file was asked for, as header cards: enough for `again` to make it anew.

Seed, batch number and frame number are written by `files`; here is the rest that the pixels
depend on.
"""

from collections.abc import Sequence

from synth.files import Card

# Words in the header for the option of `nightcull render`.
COLOUR = {None: "drawn", True: "colour", False: "mono"}


def frame_cards(
    faults: Sequence[str] | None, cfa: bool | None, count: int, device: str
) -> list[Card]:
    """What `nightcull render` was asked for, as far as the pixels depend on it."""
    asked = "mixture" if faults is None else " ".join(faults) or "clean"
    return [("NCASKED", asked, "faults asked for"), *_shared(cfa, count, device)]


def night_cards(causes: Sequence[str], cfa: bool | None, count: int, device: str) -> list[Card]:
    """The same for a sub of a night."""
    return [("NCNIGHT", " ".join(causes), "causes of the night"), *_shared(cfa, count, device)]


def _shared(cfa: bool | None, count: int, device: str) -> list[Card]:
    return [
        ("NCCOLOUR", COLOUR[cfa], "sensor asked for"),
        ("NCCOUNT", count, "frames drawn together"),
        ("NCDEVICE", device.split(":")[0], "kind of device"),
    ]
