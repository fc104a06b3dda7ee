"""How pressing a fault of a sub is: stop and fix it, note it, or let it be.

    urgency_of("defocus", name, readings)     # "stop and fix now", or "usually: ..."

What the course of the sub's night makes likely decides; where it tells no cause, the commonest
one does.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from classifier.night_reading import causes_told
from classifier.remedies import remedy


def urgency_of(key: str, name: str, readings: Sequence[Mapping[str, Any]]) -> str:
    """Urgency of a fault of a sub, in the words of the remedies; "usually: " before it where it
    rests on what commonly causes the fault and not on this night."""
    likely = [
        cause
        for reading, cause in causes_told(readings)
        if cause["fault"] == key and name in reading["subs"]
    ]
    if likely:
        return str(max(likely, key=lambda cause: cause["likelihood"])["urgency"])
    return f"usually: {remedy(key).causes[0].urgency}"
