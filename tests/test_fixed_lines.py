"""Lines that stay in place through a run, against lines drawn at random and painted subs."""

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from painted_sky import as_frame, gaussian, starfield
from skimage.draw import line_aa

from classifier.evidence import Evidence
from classifier.fixed_lines import LEAST_PX, OTHERS, SAME_SHARE, same_line, without_fixed
from classifier.measures import measure_frame
from classifier.runs import judge_runs

SHAPE = (320, 400)


def found(*lines, state="yes"):
    return Evidence(state, 20.0, "sigma over its length", 8.0, where=[list(one) for one in lines])


def test_line_in_many_subs_is_no_trail_and_one_beside_it_is():
    column, trail = (200.0, 0.0, 201.0, 399.0), (10.0, 30.0, 300.0, 250.0)
    subs = [found(column, state="unknown") for _ in range(6)] + [found(column, trail), found()]
    judged = without_fixed(subs)
    assert [one.state for one in judged] == ["no"] * 6 + ["yes", "yes"]
    assert [one.mistaken for one in judged] == [True] * 6 + [False] * 2
    assert judged[6].where == [list(trail)] and judged[6].value == 20.0
    assert judged[0].value == 0.0 and "6 other subs" in judged[0].note
    assert subs[0].where == [list(column)] and subs[6].where == [list(column), list(trail)]


def test_weak_line_is_explained_by_strong_ones_but_explains_none():
    row = (0.0, 100.0, 390.0, 101.0)
    weak = Evidence("no", 7.0, "sigma over its length", 8.0, where=[list(row)])
    judged = without_fixed([weak] + [found(row)] * OTHERS)
    assert judged[0].mistaken and judged[0].value == 0.0
    assert not any(one.mistaken for one in without_fixed([weak] * 9))
    alone = without_fixed([found(row)] + [weak] * 9)[0]
    assert alone.state == "yes" and not alone.mistaken


def test_so_many_others_must_have_it():
    lines = [(0.0, 50.0, 390.0, 52.0)] * (OTHERS + 1)
    assert all(one.mistaken for one in without_fixed([found(one) for one in lines]))
    fewer = without_fixed([found(one) for one in lines[:OTHERS]])
    assert not any(one.mistaken for one in fewer)


def test_true_trails_of_a_night_are_not_taken_for_one_another():
    # Sixty lines through random points at random angles: with an offset uniform over the frame
    # and an angle uniform over 180 degrees a pair agrees with a chance of about
    # 2 x 0.015 x 4 / 180 x (a factor of 1 to 2 for the middle of the frame) = 0.0007 to 0.0014.
    rng = np.random.default_rng(8)
    side = 4000.0
    lines = []
    for _ in range(60):
        x, y, turn = rng.uniform(0, side), rng.uniform(0, side), rng.uniform(0, math.pi)
        dx, dy = 500 * math.cos(turn), 500 * math.sin(turn)
        lines.append((x - dx, y - dy, x + dx, y + dy))
    pairs = [(a, b) for i, a in enumerate(lines) for b in lines[:i]]
    share = np.mean([same_line(a, b, SAME_SHARE * side) for a, b in pairs])
    assert 0.0 <= share < 0.004
    assert not any(one.mistaken for one in without_fixed([found(line) for line in lines]))


@pytest.mark.parametrize("turn_deg", [0, 37, 90, 179])
def test_same_line_by_offset_and_angle(turn_deg):
    turn = math.radians(turn_deg)
    along, across = (
        np.array([math.cos(turn), math.sin(turn)]),
        np.array([-math.sin(turn), math.cos(turn)]),
    )

    def line(offset, extra_deg=0.0, shift=0.0):
        way = np.array(
            [math.cos(turn + math.radians(extra_deg)), math.sin(turn + math.radians(extra_deg))]
        )
        middle = 500 + offset * across + shift * along
        return [*(middle - 150 * way), *(middle + 150 * way)]

    assert same_line(line(0), line(5.9), 6.0) and not same_line(line(0), line(6.1), 6.0)
    assert same_line(line(0), line(-5.9), 6.0) and same_line(line(0), line(0, shift=200.0), 6.0)
    assert same_line(line(0), line(0, extra_deg=1.9), 6.0)
    assert not same_line(line(0), line(0, extra_deg=2.1), 6.0)
    backwards = line(0)[2:] + line(0)[:2]
    assert same_line(line(0), backwards, 6.0)


def test_in_a_painted_run():
    start = datetime(2026, 3, 1, 21, tzinfo=UTC)

    def sub(index, extra=None):
        picture = starfield(SHAPE, gaussian(3.0), seed=4, sky=500.0, noise=6.0)
        picture += np.random.default_rng(index).normal(0, 6.0, SHAPE)
        fixed = np.zeros(SHAPE)
        rows, columns, light = line_aa(60, 0, 110, SHAPE[1] - 1)
        fixed[rows, columns] = light * 25.0  # a scratch, a little askew
        picture += fixed
        if extra:
            rows, columns, light = line_aa(*extra)
            picture[rows, columns] += light * 40.0
        facts = {"time_utc": start + timedelta(minutes=index), "exposure_s": 60.0}
        frame = as_frame(picture, **facts)
        return frame.facts, measure_frame(frame)

    run = [sub(i) for i in range(5)] + [sub(5, extra=(300, 20, 150, 390))]
    assert {one[1].evidence["trail"].state for one in run} == {"yes"}
    judged = [one["trail"] for one in judge_runs(run, ["a"] * 6)]
    assert [one.state for one in judged] == ["no"] * 5 + ["yes"]
    x0, y0, x1, y1 = judged[5].where[0]
    # The trail that was drawn, to about its width in the search's cells of 2 px.
    assert math.degrees(math.atan2(y1 - y0, x1 - x0)) % 180 == pytest.approx(
        math.degrees(math.atan2(150 - 300, 390 - 20)) % 180, abs=1.0
    )
    assert len(judged[5].where) == 1


def test_line_too_weak_to_count_is_still_placed():
    # S/N = (A / sigma) sqrt(L s sqrt(pi)) of a Gaussian section of s over the length L: 8.5 here,
    # give or take one, less what the search's cells of 2 px and covered stars lose.
    s, noise, slope = 1.4, 6.0, math.tan(math.radians(20))
    rows, columns = np.indices(SHAPE)
    off = (rows - 87 - slope * columns) * math.cos(math.radians(20))
    length = SHAPE[1] / math.cos(math.radians(20))
    height = 8.5 * noise / math.sqrt(length * s * math.sqrt(math.pi))
    picture = starfield(SHAPE, gaussian(3.0), seed=1, spacing=90, sky=500.0, noise=noise)
    picture += height * np.exp(-0.5 * (off / s) ** 2)
    trail = measure_frame(as_frame(picture)).evidence["trail"]
    assert trail.state == "no" and 5.0 <= trail.value < 8.0
    truth = [0.0, 87.0, SHAPE[1], 87.0 + slope * SHAPE[1]]
    assert same_line(trail.where[0], truth, LEAST_PX)
