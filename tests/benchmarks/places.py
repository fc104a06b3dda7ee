"""How near to the truth a rendered trail, mote or ghost is marked by the measures.

    OMP_NUM_THREADS=1 .venv/bin/python tests/benchmarks/places.py --frames 96

Of every kind so many frames of 1024 x 768 px are rendered with that fault. Judged are trails of a
matched-filter S/N over 12, and motes and ghosts from twice the level they count from, of which at
least a quarter of some round rim lies in the frame (arcs and fans have no place as discs). A trail
is placed if the true line, from edge to edge or end to end, is nowhere farther than 3 px from a
marked one; a disc if one is marked whose centre lies within a tenth of the true radius and whose
radius is right to a tenth; within a quarter it is near. The share of clean frames that are said to
have one stands beside. A minute for 100 frames.
"""

import argparse
import math
import tempfile
import warnings
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import torch

from classifier.evidence import Evidence
from classifier.frame import read_frame
from classifier.measures import measure_frame
from classifier.vocabulary import fault
from synth.files import read_truth
from synth.render import render

KINDS = ("trail", "dust_motes", "reflection")
LEAST_TRAIL_SNR = 12.0
NEAR_PX = 3.0
SHARE, NEAR_SHARE = 0.1, 0.25
LEAST_RIM = 0.25


def line_off(truth: Sequence[float], found: Sequence[float]) -> float:
    """Largest distance in px of the true line's ends from the found line, to the side."""
    x0, y0, x1, y1 = found
    length = math.hypot(x1 - x0, y1 - y0) or 1.0
    ends = (truth[:2], truth[2:])
    return max(abs((x - x0) * (y1 - y0) - (y - y0) * (x1 - x0)) / length for x, y in ends)


def disc_off(truth: Sequence[float], found: Sequence[float]) -> float:
    """Distance of the centres and difference of the radii, whichever is more, over the radius."""
    apart = math.hypot(truth[0] - found[0], truth[1] - found[1])
    return max(apart, abs(truth[2] - found[2])) / truth[2]


def in_frame(disc: Sequence[float], width: int, height: int) -> bool:
    """Whether enough of a disc's rim lies in the frame to be seen as round."""
    turn = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    x, y = disc[0] + disc[2] * np.cos(turn), disc[1] + disc[2] * np.sin(turn)
    return bool(((x >= 0) & (x < width) & (y >= 0) & (y < height)).mean() >= LEAST_RIM)


def looked_at(folder: Path, kind: str) -> tuple[list[Evidence], list[dict]]:
    """Evidence on one fault and the truth of every frame of a folder."""
    rows = read_truth(folder)
    return [measure_frame(read_frame(folder / row["file"])).evidence[kind] for row in rows], rows


def offs(
    kind: str, evidence: Sequence[Evidence], rows: Sequence[dict], width: int, height: int
) -> np.ndarray:
    """Of the frames to judge, how far off the nearest pair of true and marked place is; infinite
    where the measure does not say yes."""
    least = LEAST_TRAIL_SNR if kind == "trail" else 2 * fault(kind).counts_from
    off = line_off if kind == "trail" else disc_off
    nearest = []
    for found, row in zip(evidence, rows, strict=True):
        truths = row["where"].get(kind, [])
        if kind != "trail":
            truths = [disc for disc in truths if in_frame(disc, width, height)]
        if not truths or not row[kind] > least:
            continue
        pairs = [off(truth, place) for truth in truths for place in found.where]
        nearest.append(min(pairs, default=np.inf) if found.state == "yes" else np.inf)
    return np.array(nearest)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=64, help="of every kind, and clean ones")
    parser.add_argument("--seed", type=int, default=9100)
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=KINDS)
    parser.add_argument("--width", type=int, default=1024)
    parser.add_argument("--height", type=int, default=768)
    asked = parser.parse_args()
    torch.set_num_threads(1)
    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory() as place:
        folders = {kind: Path(place) / kind for kind in (*asked.kinds, "clean")}
        for kind, folder in folders.items():
            faults = () if kind == "clean" else (kind,)
            render(folder, asked.frames, faults, asked.width, asked.height, None, asked.seed)
        print(
            f"{'':12} {'judged':>7} {'found':>7} {'near':>7} {'placed':>7} {'median off':>11}"
            f" {'on clean':>9}"
        )
        for kind in asked.kinds:
            off = offs(kind, *looked_at(folders[kind], kind), asked.width, asked.height)
            limit, near, unit = (NEAR_PX, 2 * NEAR_PX, "px")
            if kind != "trail":
                limit, near, unit = (SHARE, NEAR_SHARE, "radii")
            found = off[np.isfinite(off)]
            clean, _ = looked_at(folders["clean"], kind)
            print(
                f"{kind:12} {len(off):7} {len(found) / len(off):7.0%} {(off <= near).mean():7.0%}"
                f" {(off <= limit).mean():7.0%}"
                f" {np.median(found) if len(found) else math.nan:6.2f} {unit:5}"
                f" {np.mean([one.state == 'yes' for one in clean]):8.1%}"
            )


if __name__ == "__main__":
    main()
