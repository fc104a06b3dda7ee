"""Facts from Exif tags, as cameras write them into JPEG, TIFF and most raw files.

Tag names follow Exif 2.32 (CIPA DC-008-2019). The camera's clock has no zone unless
OffsetTimeOriginal gives one; without it the time is `time_local`, good for order only.
"""

from collections.abc import Mapping
from datetime import UTC, datetime
from fractions import Fraction
from typing import Any

from classifier.facts import Facts
from classifier.header import as_moment, as_number, as_text


def facts_from_exif(tags: Mapping[str, Any]) -> Facts:
    """Facts from Exif tags by name; rationals may be pairs or numbers; nonsense is unknown."""
    focal_mm = _within(tags.get("FocalLength"), 1.0, 1e6)
    f_number = _within(tags.get("FNumber"), 0.3, 300.0)
    time_utc, time_local = _times(tags)
    return Facts(
        exposure_s=_within(tags.get("ExposureTime"), 1e-6, 172_800.0),
        gain_setting=_within(tags.get("ISOSpeedRatings"), 1.0, 1e7),
        focal_mm=focal_mm,
        aperture_mm=focal_mm / f_number if focal_mm and f_number else None,
        camera=as_text(tags.get("Model")),
        time_utc=time_utc,
        time_local=time_local,
    )


def _within(value: Any, low: float, high: float) -> float | None:
    if isinstance(value, tuple | list) and len(value) == 2:
        try:
            value = float(Fraction(int(value[0]), int(value[1])))
        except (TypeError, ValueError, ZeroDivisionError, OverflowError):
            return None
    elif isinstance(value, tuple | list) and len(value) == 1:
        value = value[0]
    try:
        number = as_number(value)
    except ZeroDivisionError:  # a rational n/0 of Pillow
        return None
    return number if number is not None and low <= number <= high else None


def _times(tags: Mapping[str, Any]) -> tuple[datetime | None, datetime | None]:
    """(time_utc, time_local) from `2024:05:01 22:10:00` and its zone `+02:00`."""
    text = tags.get("DateTimeOriginal") or tags.get("DateTime")
    if not isinstance(text, str) or len(text.strip()) < 19:
        return None, None
    day, clock = text.strip()[:10].replace(":", "-"), text.strip()[11:19]
    zone = as_text(tags.get("OffsetTimeOriginal"))
    if zone is not None:
        moment = as_moment(f"{day}T{clock}{zone}")
        if moment is not None and 1970 <= moment.year <= 2100:
            return moment.astimezone(UTC), None
    moment = as_moment(f"{day}T{clock}")
    if moment is None or not 1970 <= moment.year <= 2100:
        return None, None
    return None, moment.replace(tzinfo=None)
