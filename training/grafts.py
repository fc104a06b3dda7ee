"""Faults grafted onto real good frames, as samples to judge a model on or to train it with.

    for sample in grafted(good_frames(folder, "evaluation")[0], seed=1, frames=600): ...

A run of eight is one source: a window of it, turned at random, four times without a fault and four
times with one or two, each a few pixels aside as by dithering. Too short an exposure or a narrow
filter before a mosaic is the whole run's. Every fault comes about equally often; what a frame is
barred from (its own faults, shapes of too few stars) goes to the next. `run` numbers the sources'
groups, so that intervals resample groups and not copies of one frame.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np
import torch

from classifier.context import run_context
from classifier.views import PHYSICAL, make_views, shape_facts
from classifier.vocabulary import FAULTS, INDEX, KEYS
from synth.graft import can_graft, clean_strength, graft
from synth.recipes import draw_strength
from synth.rng import stream
from synth.stand_in import Source, bright_stars
from synth.strength import SHAPE_KEYS
from training.data import Sample
from training.good_frames import GoodFrame
from training.own_faults import STARS_NEEDED

# Of a run, as many as rendered ones have; and those left as they are. On a night most are good:
# among three faulty ones of four nobody could say what the rig's good subs look like.
RUN_FRAMES, GOOD_FRAMES = 8, 4
# Subs cut short or behind a narrow filter make a run of their own.
OF_THE_RUN = ("low_signal", "bayer_grid")
# Shares of the sky: true only where the level without light is known.
SKY_SHARES = ("dust_motes", "vignetting", "gradient", "reflection")
_TWO_FAULTS = 0.15
# Stars of so many sigma are sure to be measured; under `STARS_NEEDED` of them no shape shows.
_SURE_SIGMA = 20.0
_DITHER_PX = 12


def grafted(frames: list[GoodFrame], seed: int, count: int, lines: int = 0) -> Iterator[Sample]:
    """Samples of RUN_FRAMES frames each, until `count` frames are made; the last is not cut.
    Where there are more frames than runs, every group has its share of them (`spread_out`).
    lines: as in `make_views`."""
    groups = sorted({frame.group for frame in frames})
    deck = Deck(stream(seed, "grafts", "deck"))
    runs = -(-count // RUN_FRAMES)
    chosen = spread_out(frames, runs)
    for number in range(runs):
        frame = chosen[number % len(chosen)]
        rng = stream(seed, "grafts", str(frame.path.name), number)
        yield graft_run(frame, groups.index(frame.group), deck, rng, lines)


def spread_out(frames: list[GoodFrame], count: int) -> list[GoodFrame]:
    """All frames, or `count` of them where there are more: equally many of every group, as far as
    it has them, and those from all over the group, which may be a night from dusk to dawn."""
    if count >= len(frames):
        return frames
    groups: dict[str, list[GoodFrame]] = {}
    for frame in frames:
        groups.setdefault(frame.group, []).append(frame)
    shares = dict.fromkeys(groups, 0)
    for _ in range(count):
        least = min((g for g in groups if shares[g] < len(groups[g])), key=lambda g: shares[g])
        shares[least] += 1
    return [
        group[(2 * i + 1) * len(group) // (2 * shares[name])]
        for name, group in groups.items()
        for i in range(shares[name])
    ]


def graft_run(
    frame: GoodFrame, run: int, deck: "Deck", rng: np.random.Generator, lines: int = 0
) -> Sample:
    """One run as a sample: the source as it is and with faults, half of the windows each."""
    pictures, rows = graft_windows(frame, turned_windows(frame, rng, RUN_FRAMES), deck, rng)
    physical = frame.physical[None].expand(RUN_FRAMES, -1)
    with torch.inference_mode():
        views = make_views(torch.from_numpy(pictures), physical, lines=lines)
        context = run_context(shape_facts(views))
    strength = torch.from_numpy(rows)
    return Sample(views, context, strength, torch.full((RUN_FRAMES,), run))


def graft_windows(
    frame: GoodFrame, sources: list[Source], deck: "Deck", rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """(N, H, W) float32 ADU and (N, 16) float32 strengths of windows of a frame: GOOD_FRAMES of
    them as they are, the others with faults, in random order; some runs with a fault in all."""
    is_good = rng.permutation(len(sources)) < GOOD_FRAMES
    common = _common(_possible(frame, sources[0]), rng)
    plain = _faulty(frame, sources[0], common, rng)[0]
    if _sure_stars(replace(sources[0], pixels=plain)) < STARS_NEEDED:
        frame = replace(frame, barred=frame.barred | set(SHAPE_KEYS))
    every = _possible(frame, sources[0])
    possible = [k for k in every if k not in OF_THE_RUN] or every
    made = []
    for source, good in zip(sources, is_good, strict=True):
        keys = [] if good else [deck.draw(possible)]
        others = [k for k in possible if k not in keys]
        if keys and others and rng.random() < _TWO_FAULTS:
            keys.append(str(rng.choice(others)))
        own = {key: draw_strength(key, rng) for key in keys}
        made.append(_faulty(frame, source, common | own, rng))
    pixels, rows = zip(*made, strict=True)
    return np.stack(pixels), np.stack(rows).astype(np.float32)


def _possible(frame: GoodFrame, source: Source) -> list[str]:
    return [k for k in KEYS if can_graft(source, k) and k not in frame.barred]


def _sure_stars(source: Source) -> int:
    """How many stars of a window are bright enough that their shape can be measured."""
    stars = bright_stars(source, source.electrons())
    side = 2 * int(np.ceil(source.fwhm_px)) + 1
    return int((stars.flux_e > _SURE_SIGMA * side * source.noise_adu * source.gain).sum())


def _common(possible: list[str], rng: np.random.Generator) -> dict[str, float]:
    """A fault of OF_THE_RUN and its strength in all windows of a run, or none: as often as makes as
    many frames with it as each other fault has."""
    share = (RUN_FRAMES - GOOD_FRAMES) / RUN_FRAMES / max(len(possible), 1)
    for key in OF_THE_RUN:
        if key in possible and rng.random() < share:
            return {key: draw_strength(key, rng)}
    return {}


class Deck:
    """Faults dealt one after another from shuffled packs, so that all come equally often."""

    def __init__(self, rng: np.random.Generator):
        self._rng = rng
        self._left: list[str] = []

    def draw(self, possible: list[str]) -> str:
        """The next fault that the frame can have; the others stay on the deck."""
        for _ in range(2):
            for i, key in enumerate(self._left):
                if key in possible:
                    return self._left.pop(i)
            # What is a run's own waits for nobody: it would only pile up.
            kept = [k for k in KEYS if k in possible or k not in OF_THE_RUN]
            self._left += [str(key) for key in self._rng.permutation(kept)]
        raise ValueError("no fault can be grafted onto this frame")


def source_of(frame: GoodFrame) -> Source:
    known = {
        name: float(value) if torch.isfinite(value) else None
        for name, value in zip(PHYSICAL, frame.physical, strict=True)
    }
    return Source(
        frame.pixels,
        frame.fwhm_px,
        known["gain_e_adu"],
        known["read_noise_e"],
        known["offset_adu"],
        known["saturation_adu"],
        known["scale_arcsec"],
        known["focal_ratio"],
        known["exposure_s"],
        frame.bayer,
    )


def turned_windows(
    frame: GoodFrame, rng: np.random.Generator, count: int, shape: tuple[int, int] | None = None
) -> list[Source]:
    """Windows of one size and turn of the frame, dithered by whole steps of its mosaic: nearly the
    whole frame, or somewhere in it of a shape (even height and width) that `fits`."""
    height, width = (n - n % 2 for n in frame.pixels.shape)
    flip_y, flip_x, turn = (bool(rng.random() < 0.5) for _ in range(3))
    first_y = first_x = 0
    if shape is None:
        room_y, room_x = (min(_DITHER_PX, n // 16) // 2 for n in (height, width))
        side_y, side_x = height - 2 * room_y, width - 2 * room_x
    else:
        if not _fits(frame, shape[::-1] if turn else shape):
            turn = not turn
        side_y, side_x = shape[::-1] if turn else shape
        spare_y, spare_x = (height - side_y) // 2, (width - side_x) // 2
        room_y, room_x = (min(_DITHER_PX // 2, spare) for spare in (spare_y, spare_x))
        first_y = 2 * int(rng.integers(0, spare_y - room_y + 1))
        first_x = 2 * int(rng.integers(0, spare_x - room_x + 1))
    whole = source_of(frame)
    windows = []
    for _ in range(count):
        y = first_y + 2 * int(rng.integers(0, room_y + 1))
        x = first_x + 2 * int(rng.integers(0, room_x + 1))
        part = frame.pixels[y : y + side_y, x : x + side_x]
        order = None if frame.bayer is None else np.array(list(frame.bayer)).reshape(2, 2)
        for wanted, change in ((flip_y, np.flipud), (flip_x, np.fliplr), (turn, np.transpose)):
            if wanted:
                part = change(part)
                order = None if order is None else change(order)
        cfa = None if order is None else "".join(order.ravel())
        windows.append(replace(whole, pixels=np.ascontiguousarray(part), cfa=cfa))
    return windows


def fits(frame: GoodFrame, shape: tuple[int, int]) -> bool:
    """Whether a window of the shape, as it is or transposed, lies in the frame."""
    return _fits(frame, shape) or _fits(frame, shape[::-1])


def _fits(frame: GoodFrame, shape: tuple[int, int]) -> bool:
    return all(side <= n - n % 2 for side, n in zip(shape, frame.pixels.shape, strict=True))


def _clean(frame: GoodFrame, source: Source) -> tuple[np.ndarray, np.ndarray]:
    row = clean_strength(source)
    row[[INDEX[key] for key in frame.unsure | frame.barred]] = np.nan
    return source.pixels, row


def _faulty(
    frame: GoodFrame, source: Source, faults: dict[str, float], rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Pixels and strengths with faults, each of a wanted strength, grafted one after another."""
    pixels, row = _clean(frame, source)
    for key, wanted in faults.items():
        done = graft(source, key, wanted, rng)
        source = replace(source, pixels=done.pixels)
        pixels, column = done.pixels, INDEX[key]
        strength = done.strength[column]
        faulty = FAULTS[column].target(strength) == 1.0
        guessed = key in SKY_SHARES and not source.knows_sky
        # A fault that may be there already is sure only where it was put in plainly; a share of a
        # sky of unknown level is at least what it says, as the unknown offset is no light.
        vague = (key in frame.unsure or guessed) and not faulty
        row[column] = np.nan if vague else strength
        # What one fault leaves open of the others (less light: less signal) stays open.
        opened = np.isnan(done.strength)
        opened[column] = False
        row[opened] = np.nan
    return pixels, _drowned(row, faults)


def _drowned(row: np.ndarray, keys: Iterable[str]) -> np.ndarray:
    """Of two smears in one star the weaker may be drowned: neither is wrong to name."""
    shapes = [key for key in keys if key in SHAPE_KEYS]
    if len(shapes) > 1:
        targets = {key: FAULTS[INDEX[key]].target(row[INDEX[key]]) for key in shapes}
        weaker = min(shapes, key=lambda key: targets[key])
        if targets[weaker] > 0:
            row[INDEX[weaker]] = np.nan
    return row
