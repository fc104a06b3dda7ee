"""The time lines of a run: what was measured and where everything stood, sub by sub.

    line = night_line([NightSub(name, facts, size_px, measures), ...])
    line.hours, line.of["hfr_px"]

Everything later (trends, changes, causes) reads these arrays; unknown values are NaN. Angles in
the array's frame run from +x towards +y.
"""

import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from classifier.facts import Facts
from classifier.framing import Framing, StarField, framed
from classifier.lost_light import COUNT_SLOPE
from classifier.measures import FrameMeasures
from classifier.night_sky import SkyPlaces, sky_places
from classifier.reference import airmass, merged
from classifier.star_match import LEAST_MATCHES, light_lost
from classifier.star_pattern import Pattern

Array = np.ndarray

# What `NightLine.of` takes straight from a frame's numbers.
MEASURED = (
    *("hfr_px", "fwhm_px", "fwhm_arcsec", "elongation", "angle_deg", "angle_coherence"),
    *("star_count", "concentration", "dip", "lobes", "skew", "sky_adu", "sky_e_per_s", "noise_adu"),
    *("gradient_pct", "gradient_deg", "hot_pixels_pct", "texture_pct"),
)
FORM = (
    *("skew_x", "skew_y", "skew_noise", "asymmetry", "hole_offset", "halo"),
    *("odd_sigma", "odd_deg"),
)
HEADER = ("temperature_c", "ambient_c", "altitude_deg", "azimuth_deg", "focus_steps", "camera_deg")

# No night goes on after so long a pause, and no day between two nights is shorter.
PAUSE_H = 6.0
CIVIL_DUSK_DEG = -6.0
COUNTED_WEST = (
    "The headers' longitude, {:g}, was taken to count to the west: counted to the east, as is "
    "usual, it has the Sun up or hardly down, or the target down."
)
NO_NIGHT = (
    "By the headers' site and clock the Sun was up or the target down: latitude, longitude, time "
    "or pointing is wrong, and where Moon and Sun stood is not told."
)


@dataclass(frozen=True)
class NightSub:
    """One sub as it was looked at. size_px is (height, width); faults: those it was labelled with,
    if it was."""

    name: str
    facts: Facts
    size_px: tuple[int, int]
    measures: FrameMeasures
    faults: tuple[str, ...] = ()


@dataclass(frozen=True)
class NightLine:
    """Subs in order of time and arrays (n,) over them, by name in `of`:

    the MEASURED and FORM numbers and HEADER facts; e1, e2 (common shape of the stars);
    lost_mag (zero-point: light of the stars lost against the best tenth of the run), patchy_mag;
    veil_mag (the same, told by the count of stars where none could be matched); loss_error_mag;
    turn_deg (field against the first sub, half turns taken off), half_turn (1 after a flip);
    airmass; pier (0 east, 1 west); and where site, pointing and time are known the columns of
    SkyPlaces. hours: middle of the exposures since the first; counted in subs where no times are
    known (`timed` false). site_note: what is wrong with the headers' site or clock, if anything.
    """

    subs: tuple[NightSub, ...]
    hours: Array
    timed: bool
    of: dict[str, Array]
    site_note: str = ""

    def __len__(self) -> int:
        return len(self.subs)

    @property
    def flip(self) -> int | None:
        """Index of the first sub after a meridian flip, seen in the stars or in the header."""
        for name in ("half_turn", "pier"):
            side = self.of[name]
            places = np.flatnonzero(np.isfinite(side))
            changed = places[1:][np.diff(side[places]) != 0]
            if len(changed) == 1:
                return int(changed[0])
        return None

    def evidence(self, key: str) -> list[str]:
        """State of the single frames' evidence on a fault."""
        return [sub.measures.evidence[key].state for sub in self.subs]

    def share(self, key: str) -> float:
        """Share of the subs that have a fault by measure or by label."""
        states = zip(self.subs, self.evidence(key), strict=True)
        return sum(state == "yes" or key in sub.faults for sub, state in states) / len(self)

    def to_sky_deg(self, angles_deg: Array) -> Array:
        """Directions in the array -> position angles on the sky; NaN where the turn is unknown."""
        turn = self.of["camera_deg"]
        sense = np.array([-1.0 if sub.facts.mirrored else 1.0 for sub in self.subs])
        x = sense * np.cos(np.deg2rad(angles_deg))
        y = np.sin(np.deg2rad(angles_deg))
        return (turn - np.rad2deg(np.arctan2(x, y))) % 360.0


def night_line(subs: Sequence[NightSub]) -> NightLine:
    """Time lines of the subs of one run, given in any order."""
    moments = [_middle(sub.facts) for sub in subs]
    timed = all(moment is not None for moment in moments)
    order = list(range(len(subs)))
    if timed:
        order = sorted(order, key=lambda i: moments[i])  # type: ignore[arg-type, return-value]
    subs = tuple(subs[i] for i in order)
    if timed:
        times = [moments[i] for i in order]
        hours = np.array([(t - times[0]).total_seconds() / 3600 for t in times])  # type: ignore
    else:
        hours = np.arange(float(len(subs)))
    of = {name: _column(sub.measures.numbers.get(name) for sub in subs) for name in MEASURED}
    of |= {name: _column(sub.measures.form.get(name) for sub in subs) for name in FORM}
    of |= {name: _column(getattr(sub.facts, name) for sub in subs) for name in HEADER}
    of["pier"] = _column({"east": 0.0, "west": 1.0}.get(sub.facts.pier or "") for sub in subs)
    of |= _shape(of["elongation"], of["angle_deg"])
    of |= _against_one_another(subs)
    places, site_note = _places(subs) if timed else (None, "")
    if places is not None:
        of |= vars(places) | {"altitude_deg": places.altitude_deg}
    known = of["altitude_deg"]
    of["airmass"] = np.array(
        [airmass(Facts(altitude_deg=float(a))) if a > 5 else math.nan for a in known]
    )
    return NightLine(subs, hours, timed, of, site_note)


def nights_of(subs: Sequence[NightSub]) -> list[list[NightSub]]:
    """The subs of a run night by night, in order of time; as one where a time is unknown."""
    timed = [(moment, sub) for sub in subs if (moment := _middle(sub.facts)) is not None]
    if len(timed) < len(subs):
        return [list(subs)]
    timed.sort(key=lambda one: one[0])
    nights: list[list[NightSub]] = []
    before = None
    for moment, sub in timed:
        if before is None or (moment - before).total_seconds() > 3600 * PAUSE_H:
            nights.append([])
        nights[-1].append(sub)
        before = moment
    return nights


def _column(values) -> Array:
    return np.array([math.nan if value is None else float(value) for value in values])


def _middle(facts: Facts) -> datetime | None:
    begin = facts.time_utc or facts.time_local
    if begin is None:
        return None
    # Clocks without a zone are compared with one another only.
    begin = begin.astimezone(UTC) if begin.tzinfo else begin.replace(tzinfo=UTC)
    return begin + timedelta(seconds=0.5 * (facts.exposure_s or 0.0))


def _shape(elongation: Array, angle_deg: Array) -> dict[str, Array]:
    size = (elongation**2 - 1) / (elongation**2 + 1)
    turn = np.deg2rad(2 * angle_deg)
    return {"e1": size * np.cos(turn), "e2": size * np.sin(turn)}


def _against_one_another(subs: Sequence[NightSub]) -> dict[str, Array]:
    """Light lost and turn of every sub against the one that shows most stars."""
    names = ("lost_mag", "patchy_mag", "loss_error_mag", "turn_deg", "turn_error_deg", "half_turn")
    of = {name: np.full(len(subs), math.nan) for name in names}
    best = max(range(len(subs)), key=lambda i: len(subs[i].measures.stars))
    reference = subs[best].measures.stars
    pattern = Pattern(reference)
    for i, sub in enumerate(subs):
        if i == best and len(reference) >= LEAST_MATCHES:
            for name in names:  # nothing lost and not turned against itself
                of[name][i] = 0.0
            of["loss_error_mag"][i] = math.nan
            continue
        loss = light_lost(sub.measures.stars, reference)
        if loss is not None:
            of["lost_mag"][i], of["patchy_mag"][i] = loss.mean_mag, loss.patchy_mag
            of["loss_error_mag"][i] = loss.error_mag
        framing = framed(
            StarField(sub.name, sub.measures.stars, sub.size_px), pattern, subs[best].size_px
        )
        if isinstance(framing, Framing):
            of["turn_deg"][i] = framing.turn_deg
            of["turn_error_deg"][i] = framing.error_deg
            of["half_turn"][i] = float(framing.half_turn)
    wide = merged([sub.measures for sub in subs])
    sharp = of["lost_mag"][np.isfinite(of["lost_mag"]) & ~wide]
    if len(sharp):
        of["lost_mag"] -= np.quantile(sharp, 0.1)
        # What merged stars gain is no light that came back.
        of["lost_mag"][wide & (of["lost_mag"] < 0)] = 0.0
    counts = _column(sub.measures.numbers.get("star_count") for sub in subs)
    widths = _column(sub.measures.numbers.get("fwhm_px") for sub in subs)
    of["veil_mag"] = _veil(of["lost_mag"], counts, widths)
    counted = np.isnan(of["lost_mag"])
    # By chance counts of n scatter by the root of n.
    by_chance = math.log10(math.e) / COUNT_SLOPE / np.sqrt(np.maximum(counts, 1.0))
    of["loss_error_mag"][counted] = by_chance[counted]
    turns = of["turn_deg"]
    first = turns[np.isfinite(turns)][:1]
    of["turn_deg"] = (turns - (first[0] if len(first) else 0.0) + 90) % 180 - 90
    return of


def _veil(lost: Array, counts: Array, widths: Array) -> Array:
    """Light lost, told by the count of stars where too few were left to be matched.

    Stars are found by their surface brightness: those that only the width hides, whose limit
    rises as its square, were not dimmed.
    """
    usual = np.nanquantile(counts, 0.9) if np.isfinite(counts).any() else math.nan
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore")  # runs in which no width is known
        by_count = np.log10(usual / np.maximum(counts, 1.0)) / COUNT_SLOPE
        hidden = 5 * np.log10(widths / np.nanquantile(widths, 0.1))
    by_count = np.maximum(by_count - np.where(hidden > 0, hidden, 0.0), 0.0)
    return np.where(np.isfinite(lost) | ~(counts < 0.5 * usual), lost, by_count)


def _places(subs: Sequence[NightSub]) -> tuple[SkyPlaces | None, str]:
    """Where everything stood, and what is wrong with the headers' site or clock. Longitudes count
    to the east (FITS 4.0 of OBSGEO-L, from memory), but some write them to the west."""
    facts = subs[0].facts
    known = [facts.ra_deg, facts.dec_deg, facts.latitude_deg, facts.longitude_deg]
    needed = [value for value in known if value is not None]
    moments = [
        moment
        for sub in subs
        if sub.facts.time_utc is not None and (moment := _middle(sub.facts)) is not None
    ]
    if len(needed) < len(known) or len(moments) < len(subs):
        return None, ""
    ra_deg, dec_deg, latitude_deg, longitude_deg = needed
    told = sky_places(moments, ra_deg, dec_deg, latitude_deg, longitude_deg)
    if told.fit_subs(CIVIL_DUSK_DEG):
        return told, ""
    turned = sky_places(moments, ra_deg, dec_deg, latitude_deg, -longitude_deg)
    counted_west = COUNTED_WEST.format(longitude_deg)
    if turned.fit_subs(CIVIL_DUSK_DEG):
        return turned, counted_west
    # Stars before civil dusk are few people's subs, unless there is no other way.
    if told.fit_subs(0.0):
        return told, ""
    return (turned, counted_west) if turned.fit_subs(0.0) else (None, NO_NIGHT)
