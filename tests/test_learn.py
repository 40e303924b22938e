"""A wheel is learned from its edges alone, held to random wheels turned in closed form."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from tightside.records import EdgeTrain, Floats
from tightside.signals.learn import Learned, find_repeat, learn_wheel, roughness
from turning import Turning, teeth_passed, wheel_on_positions

WHEELS = 200


@dataclass(frozen=True)
class Drawn:
    """A wheel whose pattern comes ``repeats`` times a turn."""

    name: str
    angles_deg: Floats
    repeats: int = 1


def one_gap(rng: np.random.Generator) -> Drawn:
    positions, gap = int(rng.integers(12, 121)), int(rng.integers(1, 4))
    return Drawn(f"{positions}-{gap}", wheel_on_positions(positions, *range(positions - gap, positions)))


def like_gaps(rng: np.random.Generator) -> Drawn:
    """Two to four like gaps; a repeat of fewer positions than a usual whole wheel has."""
    repeats, gap = int(rng.integers(2, 5)), int(rng.integers(1, 3))
    each = int(rng.integers(8, 19))
    missing = [k * each + each - 1 - j for k in range(repeats) for j in range(gap)]
    name = "-".join([str(each * repeats)] + [str(gap)] * repeats)
    return Drawn(name, wheel_on_positions(each * repeats, *missing), repeats)


def unlike_gaps(rng: np.random.Generator) -> Drawn:
    """A gap of two and one of one, anywhere but near one another."""
    positions = int(rng.integers(30, 73))
    second = int(rng.integers(6, positions - 7))
    return Drawn(f"{positions}-1-2", wheel_on_positions(positions, second, positions - 2, positions - 1))


def extra_tooth(rng: np.random.Generator) -> Drawn:
    count, share = int(rng.integers(6, 37)), rng.uniform(0.3, 0.7)
    pitch = 360.0 / count
    return Drawn(f"{count}+1", np.sort(np.append(np.arange(count) * pitch, share * pitch)))


def irregular(rng: np.random.Generator) -> Drawn:
    """Gaps between half and twice the mean, on no grid; sometimes twice a turn."""
    pulses, repeats = int(rng.integers(2, 7)), int(rng.integers(1, 3))
    while True:
        gaps = rng.uniform(0.5, 1.7, pulses)
        if np.abs(np.diff(np.append(gaps, gaps[0]))).max() > 0.5:
            break
    gaps = np.tile(gaps / gaps.sum(), repeats) * 360.0 / repeats
    return Drawn(f"uneven {pulses * repeats}", np.concatenate(([0.0], np.cumsum(gaps)[:-1])), repeats)


def even(rng: np.random.Generator) -> Drawn:
    count = int(rng.integers(4, 61))
    return Drawn(f"even {count}", np.arange(count) * 360.0 / count, count)


KINDS = (one_gap, like_gaps, unlike_gaps, extra_tooth, irregular, even)


def train_of(drawn: Drawn, turning: Turning, turns: float, first_deg: float, jitter: float = 0.0) -> EdgeTrain:
    """Rising edges at the angles, falling ones a little under half the least gap later."""
    _, angle = teeth_passed(drawn.angles_deg, turns, first_deg)
    least = np.diff(np.append(drawn.angles_deg, 360.0)).min()
    both = np.sort(np.concatenate((angle, angle + 0.45 * least)))
    times = turning.time_s(both - first_deg + 1.0)
    rng = np.random.default_rng(0)
    times = times + jitter * np.diff(times).min() * rng.standard_normal(len(times))
    return EdgeTrain("crank", times_s=times, rising=np.arange(len(both)) % 2 == 0)


def drawn_case(seed: int) -> tuple[Drawn, EdgeTrain]:
    """Running engines; the speed swings as it does above idle."""
    rng = np.random.default_rng(seed)
    drawn = KINDS[seed % len(KINDS)](rng)
    turning = Turning(
        rpm=rng.uniform(500.0, 3000.0), ripple=rng.uniform(0.0, 0.06), per_turn=rng.choice([1.5, 2.0, 3.0])
    )
    return drawn, train_of(drawn, turning, rng.uniform(10.0, 25.0), rng.uniform(0.0, 360.0), 0.02)


def like(name: str) -> str:
    """Gaps in any order: which comes first is a convention."""
    head, *gaps = name.split("-")
    return "-".join([head, *sorted(gaps)])


def right(learned: Learned | None, drawn: Drawn) -> bool:
    """The same number of pulses in the same places, and the trade's name where there is one."""
    if learned is None or learned.wheel.pulses_per_revolution != len(drawn.angles_deg):
        return False
    got = np.diff(np.append(learned.wheel.angles_deg, 360.0))
    gaps = np.diff(np.append(drawn.angles_deg, 360.0))
    off = min(np.abs(np.roll(got, k) - gaps).max() for k in range(len(gaps)))
    named = drawn.name.startswith("uneven") or like(learned.wheel.name) == like(drawn.name)
    return named and bool(off < 0.1 * 360.0 / len(gaps))


@pytest.fixture(scope="module")
def alone() -> list[tuple[Drawn, Learned | None]]:
    """Random wheels, and what was learned of them with nobody's help."""
    return [(drawn, learn_wheel(train)) for drawn, train in map(drawn_case, range(WHEELS))]


def test_learn_wheel_of_random_wheels_told_their_repeats_names_them(alone):
    wrong = []
    for seed, (drawn, found) in enumerate(alone):
        told = found if right(found, drawn) and drawn.repeats == 1 else learn_wheel(drawn_case(seed)[1], drawn.repeats)
        if not right(told, drawn):
            wrong.append((seed, drawn.name, told.wheel.name if told else None))
    assert len(wrong) <= 0.01 * WHEELS, wrong


def test_learn_wheel_of_random_wheels_is_never_certain_and_wrong(alone):
    wrong = [
        (seed, drawn.name, found.wheel.name)
        for seed, (drawn, found) in enumerate(alone)
        if found is not None and found.turn_certain and found.wheel.pulses_per_revolution != len(drawn.angles_deg)
    ]
    assert wrong == []


def test_learn_wheel_of_usual_wheels_is_certain(alone):
    """A gap on 34 to 60 positions: twice as many on one wheel are not built."""
    usual = [(d, f) for d, f in alone if d.repeats == 1 and "-" in d.name and 34 <= int(d.name.split("-")[0]) <= 60]
    assert len(usual) >= 20
    unsure = [d.name for d, f in usual if f is None or not f.turn_certain or not right(f, d)]
    assert unsure == []


def test_learn_wheel_of_wheels_that_could_be_half_of_one_takes_the_usual_and_says_so(alone):
    """A gap on 24 to 33 positions: it could come twice a turn, as on a 60-2-2."""
    close = [
        (d, f)
        for d, f in alone
        if d.repeats == 1 and "-" in d.name and 24 <= int(d.name.split("-")[0]) <= 30 and len(d.name) < 6
    ]
    assert len(close) >= 3
    for drawn, found in close:
        assert found is not None and right(found, drawn)
        assert not found.turn_certain and found.turns.likely
        assert len(found.could_be) > 1 and found.could_be[0] == found.wheel.name
        assert "could be" in found.notes[0]


@pytest.mark.parametrize("seed", [3, 4, 9, 10])
def test_learn_wheel_of_wheels_on_no_grid_finds_their_angles(seed):
    drawn, train = drawn_case(seed)
    found = learn_wheel(train, drawn.repeats)
    assert found is not None
    got = np.diff(np.append(found.wheel.angles_deg, 360.0))
    gaps = np.diff(np.append(drawn.angles_deg, 360.0))
    off = min(np.abs(np.roll(got, k) - gaps).max() for k in range(len(gaps)))
    assert off < 0.04 * 360.0 / len(gaps)
    assert found.wheel.repeat_deg == 360.0 / drawn.repeats


@pytest.mark.parametrize("repeats", [1, 2, 3])
def test_learn_wheel_of_three_gaps_follows_what_the_cams_say(repeats):
    drawn = Drawn("36-2-2-2", wheel_on_positions(36, 10, 11, 22, 23, 34, 35), 3)
    train = train_of(drawn, Turning(rpm=800.0, ripple=0.05), 10.0, 77.0)
    found = learn_wheel(train, repeats)
    assert found is not None
    assert found.wheel.name == "-".join([str(12 * repeats)] + ["2"] * repeats)
    assert found.turn_certain
    assert not learn_wheel(train).turn_certain


@pytest.mark.parametrize(("ripple", "per_turn"), [(0.25, 2.0), (0.35, 1.0)])
@pytest.mark.parametrize("name", [(60, 58, 59), (36, 35), (36, 34, 35)])
def test_learn_wheel_while_cranking_names_it(name, ripple, per_turn):
    drawn = Drawn(f"{name[0]}-{len(name) - 1}", wheel_on_positions(*name))
    train = train_of(drawn, Turning(rpm=200.0, ripple=ripple, per_turn=per_turn), 8.0, 100.0, 0.02)
    assert right(learn_wheel(train), drawn)


@pytest.mark.parametrize("count", [0, 3, 5])
def test_learn_wheel_of_too_few_edges_is_none(count):
    times = np.arange(2 * count) * 0.01
    assert learn_wheel(EdgeTrain("crank", times_s=times, rising=np.arange(2 * count) % 2 == 0)) is None


@pytest.mark.parametrize("stretch", [0.1, 0.5, 3.0])
def test_learn_wheel_stretched_and_shifted_in_time_is_the_same(stretch):
    drawn, train = drawn_case(0)
    other = EdgeTrain("crank", times_s=train.times_s * stretch + 7.0, rising=train.rising)
    one, two = learn_wheel(train), learn_wheel(other)
    assert one is not None and two is not None
    assert one.wheel.name == two.wheel.name == drawn.name
    assert two.wheel.angles_deg == pytest.approx(one.wheel.angles_deg)


@pytest.mark.parametrize("n", [3, 7, 13, 34, 58])
def test_find_repeat_counts_the_pulses_of_a_turn(n):
    _, angle = teeth_passed(wheel_on_positions(n + 2, n, n + 1), 12.0)
    got, likeness = find_repeat(Turning(rpm=900.0, ripple=0.1).time_s(angle))
    assert got == n
    assert likeness > 0.9


def test_roughness_of_steady_acceleration_is_small():
    """From rest at steady acceleration, t = sqrt(angle): after 20 teeth the speed's own change is all but gone."""
    angle = np.arange(20.0, 400.0)
    assert np.abs(roughness(np.sqrt(angle))).max() < 1e-3
    with_gap = np.sqrt(np.delete(angle, [200, 201]))
    assert roughness(with_gap).max() == pytest.approx(np.log(3.0), abs=0.02)
