"""Which test to do next: the one that saves most of the cost of deciding wrongly, for each minute that it takes.

To decide is to do each repair job or not. A job done for nothing costs its minutes; a fault left in costs the vehicle's
return, and perhaps the engine. With what is known now each job is decided the cheaper way, at an expected cost that
remains. A test is worth as much as it is expected to lower that cost (the expected value of sample information:
Raiffa and Schlaifer, Applied Statistical Decision Theory, 1961, from memory). Entropy does not come into it: a test
that tells two causes apart which the same job mends is worth nothing.

All minutes are **common practice, no source**.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import Literal

import numpy as np

from tightside.causes.hypotheses import Hypotheses, bank_of
from tightside.causes.measured import HABITS, habits_of
from tightside.causes.numbers import SIGNS, Scope
from tightside.causes.signs import chance, place_words
from tightside.records import Bools, Floats, Ints

Turns = Literal["", "hand", "crank", "run"]
#: what turning an engine may cost whose cams are off or still, because its valves may touch [min]
RISK_MIN: dict[Turns, float] = {"": 0.0, "hand": 0.0, "crank": 40.0, "run": 300.0}
MAY_TOUCH = ("chain_slipped", "cam_slipped", "drive_broken", "cam_drive_broken")


@dataclass(frozen=True, slots=True)
class Job:
    """A repair: which faults it mends, what it costs for nothing, and what it costs to leave it undone. [min]"""

    name: str
    scope: Scope
    mends: tuple[str, ...]
    needless_min: float
    missed_min: float


JOBS = (
    Job(
        "timing drive",
        "bank",
        ("chain_slipped", "chain_worn", "drive_broken", "cam_slipped", "cam_drive_broken"),
        480.0,
        900.0,
    ),
    Job("phaser", "cam", ("phaser_loose", "phaser_stuck"), 300.0, 400.0),
    Job("oil valve", "cam", ("oil_valve",), 60.0, 200.0),
    Job("cam sensor", "cam", ("cam_signal",), 40.0, 200.0),
    Job("sensor wheel", "cam", ("wheel_moved",), 240.0, 400.0),
    Job("crank sensor", "engine", ("crank_signal",), 60.0, 200.0),
    Job("oil", "engine", ("oil_low",), 60.0, 400.0),
    Job("crank wheel or data", "engine", ("reference_off",), 120.0, 500.0),
)


@dataclass(frozen=True, slots=True)
class Test:
    """A test of the table."""

    __test__ = False  # not for pytest

    text: str  # {at} is the place
    why: str
    minutes: int
    tools: tuple[str, ...]
    invasive: int  # 0 nothing is undone, 1 a plug or a small part, 2 a cover comes off
    scope: Scope  # done at one place of this scope ...
    signs: tuple[str, ...] = ()  # ... and shows these signs there, or at every place that they have within it
    sees: str = ""  # or "recording", "log": what the sensors or the module say of every cam
    turns: Turns = ""  # how the engine is turned for it
    cautions: tuple[str, ...] = ()


CRANKING = "Before a cranking test, disable fuel and ignition, set the brake and take it out of gear."
BY_HAND = "Turn it by hand, slowly and the way it runs, and stop where it binds: valves may be touching."
RUNNING = "Do not run it while its valves may be touching its pistons. Keep clear of belts, fans and hot parts."

TESTS: tuple[Test, ...] = (
    Test(
        "Record crank and cam sensors together, all cams at once: 10 s at idle, or 3 s of cranking.",
        "It shows in degrees where every cam sits and whether it holds still, with nothing taken apart.",
        15,
        ("scope",),
        0,
        "engine",
        sees="recording",
        turns="crank",
        cautions=(CRANKING,),
    ),
    Test(
        "Log actual and desired cam position with some changes of load, 60 s.",
        "A phaser that follows is sound; a slow or stuck one shows in its answer.",
        15,
        ("scan tool",),
        0,
        "engine",
        sees="log",
        turns="run",
        cautions=(RUNNING,),
    ),
    Test(
        "Check oil level, condition and grade.",
        "Phasers and tensioner live on oil; this costs nothing and comes before any part.",
        5,
        (),
        0,
        "engine",
        ("oil_level_low", "oil_wrong"),
    ),
    Test(
        "Measure oil pressure with a gauge, warm, at idle.",
        "Low pressure explains several phasers at once.",
        35,
        ("oil pressure gauge", "hand tools"),
        1,
        "engine",
        ("oil_pressure_low",),
        turns="run",
        cautions=(RUNNING,),
    ),
    Test(
        "Listen at a cold start: how many seconds does it rattle?",
        "A rattle that outlasts oil pressure comes from a long chain, a tensioner or a phaser.",
        10,
        (),
        0,
        "engine",
        ("rattle",),
        turns="run",
        cautions=(RUNNING,),
    ),
    Test(
        "Look into the drained oil or the filter for plastic and metal.",
        "Plastic comes from chain guides.",
        25,
        ("hand tools",),
        1,
        "engine",
        ("plastic_in_oil", "metal_in_oil"),
    ),
    Test(
        "Check supply, ground, wire and air gap of cam sensor {at}.",
        "A sensor or its wire stores the same codes as a slipped chain, at a fraction of the price.",
        20,
        ("multimeter",),
        0,
        "cam",
        ("sensor_circuit_bad",),
    ),
    Test(
        "Swap the sensor of cam {at} with another cam's and see whether the trouble follows.",
        "It tells a bad sensor from everything else.",
        25,
        ("hand tools", "scan tool"),
        1,
        "cam",
        ("follows_sensor",),
    ),
    Test(
        "Check supply, ground, wire, air gap and wheel of the crank sensor.",
        "All cams are judged against it: if it is wrong, they all seem to be.",
        30,
        ("multimeter",),
        0,
        "engine",
        ("crank_circuit_bad",),
    ),
    Test(
        "Command the phaser of cam {at} and watch its answer.",
        "If it moves, it is not stuck and its valve works.",
        10,
        ("bidirectional scan tool",),
        0,
        "cam",
        ("does_not_follow",),
        turns="run",
        cautions=(RUNNING,),
    ),
    Test(
        "Take out the oil valve of cam {at}: ohms, movement, screen.",
        "A blocked screen or a valve that sticks is mended without opening the drive.",
        35,
        ("multimeter", "hand tools"),
        1,
        "cam",
        ("valve_dead",),
    ),
    Test(
        "Check that the engine file or reference is of this engine, and how the crank wheel sits.",
        "All cams off alike is more often a wrong reference than several jumps.",
        20,
        (),
        0,
        "engine",
        ("data_differs",),
    ),
    Test(
        "Compare the cylinders' compression by the starter's current.",
        "A late intake cam traps less air; a bank that lags the other speaks for its drive.",
        15,
        ("current clamp", "scope"),
        0,
        "engine",
        ("bank_weak",),
        turns="crank",
        cautions=(CRANKING,),
    ),
    Test(
        "Measure compression of every cylinder by gauge.",
        "A late intake cam traps less air; a bank that lags the other speaks for its drive.",
        60,
        ("compression gauge", "hand tools"),
        1,
        "engine",
        ("bank_weak",),
        turns="crank",
        cautions=(CRANKING,),
    ),
    Test(
        "Look through the filler or a sensor hole whether the cams of {at} turn when the crank is turned by hand.",
        "A cam that stands still has no drive.",
        15,
        ("hand tools",),
        1,
        "bank",
        ("cam_turns_not",),
        turns="hand",
        cautions=(BY_HAND,),
    ),
    Test(
        "Take off the cam cover of {at}, turn the engine to its marks by hand and look at them, at chain slack and at "
        "the phasers.",
        "Marks prove a slip to the person who pays; slack and play show what else must be replaced.",
        120,
        ("hand tools", "timing tools"),
        2,
        "bank",
        ("marks_off", "chain_slack", "phaser_play"),
        turns="hand",
        cautions=(BY_HAND,),
    ),
    Test(
        "Look at the sensor wheel of cam {at} through the sensor's hole: does it sit where it should, and fast?",
        "A wheel that turned on its shaft looks like a cam that is off.",
        30,
        ("hand tools", "borescope"),
        1,
        "cam",
        ("wheel_loose",),
    ),
)


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A test worth doing, at its place; ``expected_gain_min`` is the cost of wrong decisions that it should save."""

    test: Test
    place: str
    text: str
    minutes: int
    why: str
    expected_gain_min: float

    @property
    def gain_per_minute(self) -> float:
        """What it is ranked by."""
        return self.expected_gain_min / self.minutes


def job_table(hypotheses: Hypotheses) -> tuple[tuple[tuple[Job, str], ...], Bools, Floats, Floats]:
    """Every job at its place, (H, J) whether it is needed, and what it costs needless (J,) and missed (J,). [min]"""
    jobs, needed = [], []
    for job in JOBS:
        for place in hypotheses.layout.places(job.scope):
            mine = [
                i
                for i, f in enumerate(hypotheses.faults)
                if f.kind in job.mends and (f.place == place or (job.scope == "bank" and bank_of(f.place) == place))
            ]
            if mine:
                jobs.append((job, place))
                needed.append(hypotheses.present[:, mine].any(axis=1))
    return (
        tuple(jobs),
        np.stack(needed, axis=1),
        np.array([job.needless_min for job, _ in jobs]),
        np.array([job.missed_min for job, _ in jobs]),
    )


def decision_cost_min(needed: Floats, total: Floats, needless: Floats, missed: Floats) -> Floats:
    """Expected cost of deciding every job the cheaper way. [min]

    Parameters
    ----------
    needed : (..., J) probability mass of the cases in which each job is needed
    total : (...,) probability mass of all cases
    """
    return np.asarray(np.minimum((total[..., None] - needed) * needless, needed * missed).sum(axis=-1))


def rank_tests(
    hypotheses: Hypotheses, posterior: Floats, tools: frozenset[str], done: frozenset[str]
) -> tuple[Suggestion, ...]:
    """Every possible test, the one that saves most for its minutes first.

    Parameters
    ----------
    posterior : (H,)
    tools : what the shop has
    done : names of findings that are already in, "oil_level_low" or "valve_dead:1A", and "recording", "log"
    """
    _, needed, needless, missed = job_table(hypotheses)
    mass = posterior[:, None] * needed
    now = float(decision_cost_min(mass.sum(axis=0), np.array(1.0), needless, missed))
    risky = hypotheses.present[:, [f.kind in MAY_TOUCH for f in hypotheses.faults]].any(axis=1)
    touching = float(posterior[risky].sum())
    out = []
    for test in TESTS:
        if not set(test.tools) <= tools or (test.sees and test.sees in done):
            continue
        for place in _places(test, hypotheses):
            after = _cost_after(test, place, hypotheses, posterior, mass, needless, missed, done)
            if after is None:
                continue
            text = test.text.format(at=place_words(place) if place else "the engine")
            gain = max(now - after - touching * RISK_MIN[test.turns], 0.0)
            out.append(Suggestion(test, place, text, test.minutes, test.why, gain))
    return tuple(sorted(out, key=lambda s: (-s.gain_per_minute, s.test.invasive, s.minutes)))


def _places(test: Test, hypotheses: Hypotheses) -> tuple[str, ...]:
    phasers_only = {"does_not_follow", "valve_dead"} & set(test.signs)
    places = hypotheses.layout.places(test.scope)
    return tuple(p for p in places if not phasers_only or p in hypotheses.layout.phased)


def _cost_after(
    test: Test,
    place: str,
    hypotheses: Hypotheses,
    posterior: Floats,
    mass: Floats,
    needless: Floats,
    missed: Floats,
    done: frozenset[str],
) -> float | None:
    """Expected decision cost once the test's result is known; None where it would show nothing new. [min]"""
    if test.sees:
        groups = recording_groups(hypotheses) if test.sees == "recording" else log_groups(hypotheses)
        return _cost_by_group(groups, posterior, mass, needless, missed)
    chances = [
        chance(name, at, hypotheses)
        for name in test.signs
        for at in _within(place, SIGNS[name].scope, hypotheses)
        if (f"{name}:{at}" if at else name) not in done
    ]
    if not chances:
        return None
    cost = 0.0
    for outcome in product((False, True), repeat=min(len(chances), 4)):
        seen = np.ones(len(posterior))
        for yes, p in zip(outcome, chances, strict=False):
            seen = seen * (p if yes else 1.0 - p)
        cost += float(decision_cost_min(seen @ mass, np.array(float(seen @ posterior)), needless, missed))
    return cost


def _within(place: str, scope: Scope, hypotheses: Hypotheses) -> tuple[str, ...]:
    """Places of a scope that a test done at ``place`` looks at."""
    return tuple(p for p in hypotheses.layout.places(scope) if place in ("", p, bank_of(p)))


def _cost_by_group(groups: Ints, posterior: Floats, mass: Floats, needless: Floats, missed: Floats) -> float:
    """Decision cost when it is known in which group of hypotheses the truth lies. [min]"""
    n = int(groups.max()) + 1
    total = np.asarray(np.bincount(groups, weights=posterior, minlength=n), dtype=np.float64)
    columns = [np.bincount(groups, weights=column, minlength=n) for column in mass.T]
    needed = np.asarray(np.stack(columns, axis=1), dtype=np.float64)
    return float(decision_cost_min(needed, total, needless, missed).sum())


def recording_groups(hypotheses: Hypotheses) -> Ints:
    """(H,) hypotheses that a good recording of all sensors cannot tell apart share a number."""
    keys = []
    for cam in hypotheses.layout.cams:
        habit = habits_of(hypotheses, cam)
        as_seen = np.array([{"oil": 0, "stuck": 4, "valve": 4}.get(h, i) for i, h in enumerate(HABITS)])[habit]
        slipped = hypotheses.column("cam_slipped", cam) | hypotheses.column("chain_slipped", bank_of(cam))
        keys.append(as_seen * 2 + slipped)
    keys += [hypotheses.column("chain_worn", b).astype(np.int64) for b in hypotheses.layout.banks]
    keys.append(hypotheses.column("crank_signal", "").astype(np.int64))
    keys.append(hypotheses.column("reference_off", "").astype(np.int64))
    return _numbered(keys)


def log_groups(hypotheses: Hypotheses) -> Ints:
    """(H,) hypotheses that a log of actual and desired positions cannot tell apart share a number."""
    keys = []
    for cam in hypotheses.layout.cams:
        habit = habits_of(hypotheses, cam)
        keys.append(np.array([{"valve": 1, "moved": 0}.get(h, i) for i, h in enumerate(HABITS)])[habit])
    return _numbered(keys)


def _numbered(keys: Sequence[Ints]) -> Ints:
    _, inverse = np.unique(np.stack(keys, axis=1), axis=0, return_inverse=True)
    return np.asarray(inverse.ravel())
