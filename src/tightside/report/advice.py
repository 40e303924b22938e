"""What to do next and what to beware of, from the states of the cams.

Every line here is common practice, no source, until measurements choose between causes. None of it replaces the
maker's service information.
"""

from __future__ import annotations

from typing import NamedTuple

from tightside.diagnosis import Diagnosis, TestPart
from tightside.report.cylinders import cranking_cautions, may_have_met
from tightside.report.words import SEVERITY

SOURCE = "common practice, no source"
SUSPECTED = 0.3  # a slipped chain or a broken drive that is so probable may mean valves that touch
MOST = 4


class Advice(NamedTuple):
    """One test: what, how long, and what it would tell."""

    test: str
    minutes: int
    why: str


NO_REFERENCE = "no reference"
NO_CAM = "no cam"
NO_LOG = "not enough in the log"
BANKS = "banks compared"

NEXT: dict[str, tuple[Advice, ...]] = {
    "slipped": (
        Advice(
            "Turn the engine to its marks by hand, slowly and the way it runs, and look at them. Stop where it binds.",
            60,
            "Marks off by the same number of teeth prove the slip to the person who pays, before a part is ordered.",
        ),
        Advice(
            "Check chain slack, tensioner travel and guides while the cover is off.",
            15,
            "A chain that jumped had room to jump. A new chain on a bad tensioner jumps again.",
        ),
        Advice(
            "Compare the cylinders of both banks by starter current or a gauge. Crank only once the gap between valves "
            "and pistons at this offset is known to be safe.",
            15,
            "A cylinder that does not seal after a slip may have a bent valve: that changes the quote.",
        ),
    ),
    "erratic": (
        Advice(
            "Record again at a steady 2000 rpm, warm, with the phaser's oil valve unplugged if the maker allows that.",
            10,
            "If the wandering stops, oil control moved the cam. If it stays, look for a loose phaser or a slack chain.",
        ),
        Advice(
            "Check oil level, grade and pressure.",
            15,
            "A phaser without its oil cannot hold its place.",
        ),
        Advice(
            "Look at the cam sensor's mounting, its air gap, and the play of its wheel.",
            20,
            "A sensor that moves looks like a cam that moves.",
        ),
    ),
    "off, not by a whole tooth": (
        Advice(
            "Record again with the phaser parked: cold start at idle, or its oil valve unplugged if the maker allows.",
            10,
            "A phaser that is not parked moves the cam by a part of a tooth.",
        ),
        Advice(
            "Check that the engine file or the reference recording is of this engine, with this sensor wheel.",
            5,
            "A wrong reference shows as the same offset on every recording of a good engine.",
        ),
        Advice(
            "Check chain wear: slack, and how far the tensioner is out.",
            30,
            "A long chain makes its cams late by less than a tooth.",
        ),
    ),
    "no signal": (
        Advice(
            "Check the cam sensor's supply, ground and signal wire at the plug, then swap in the other bank's sensor.",
            20,
            "No verdict is possible without a signal; a dead sensor stores the same codes as a slipped chain.",
        ),
    ),
    "not enough data": (
        Advice(
            "Record again: crank and cam sensors together, 10 s at idle or 3 s of cranking, 20 000 samples a second "
            "or more.",
            10,
            "The verdict needs at least a handful of whole engine cycles with every signal in them.",
        ),
        Advice(
            "If it was long enough, check that the engine file is of this engine, and which column is which sensor.",
            5,
            "The wrong wheel or a wrong column leaves nothing that fits, however long the recording.",
        ),
    ),
    "in time": (
        Advice(
            "Leave the timing cover on. Look next at oil control, the sensors and their wiring, then compression.",
            20,
            "The cams sit where they should, so what stored the codes is something else.",
        ),
    ),
    BANKS: (
        Advice(
            "Get this engine's data: its engine file, or a recording of the same engine in good order (--reference, or "
            "tightside learn).",
            15,
            "Two banks held against each other show that they differ, not which of them is off or whether both are.",
        ),
        Advice(
            "Turn the engine to its marks by hand, slowly and the way it runs, and look at both banks. Stop where it "
            "binds.",
            60,
            "The marks show which bank is off.",
        ),
    ),
    NO_LOG: (
        Advice(
            "Log actual and desired angle of every cam again, 60 s: 20 s of warm idle, then 2000 rpm held and let go "
            "a few times.",
            10,
            "An offset of the chain shows at idle, where the phaser is parked; how the phaser follows shows when it "
            "moves.",
        ),
        Advice(
            "Look up in the scan tool's help whether it shows cam or crank degrees, and which way is positive, and "
            "give "
            "--phase-unit and --phase-sign.",
            5,
            "Half or double the angle is another number of teeth, and early is not late.",
        ),
    ),
    NO_REFERENCE: (
        Advice(
            "Give an engine file with --engine, or a recording of the same engine in good order with --reference.",
            5,
            "A cam is early or late only against something.",
        ),
    ),
    NO_CAM: (
        Advice(
            "Record at least one camshaft sensor together with the crankshaft sensor.",
            10,
            "The crank alone says how fast the engine turns, not where its cams stand.",
        ),
    ),
}

AID = (
    "This is an aid. The maker's service information, local codes and a licensed technician decide, and any angle or "
    "torque comes from them."
)
TOUCHING = (
    "Do not start or crank this engine until you know that its valves clear its pistons at this offset: "
    "they may be touching."
)
CAUTIONS = (
    "Before a cranking test, disable fuel and ignition, set the brake and take it out of gear.",
    "Keep hands, hair, sleeves and leads away from belts, fans and pulleys, and from hot exhaust and coolant.",
    "Keep clear of a breaker bar and of a chain or spring under load; lock the crankshaft as the maker says.",
    "Follow the battery and airbag rules before you unplug or lift anything; hold up an engine with lifting gear only.",
)


def situations(diagnosis: Diagnosis) -> tuple[str, ...]:
    """What there is to give advice on, worst first."""
    if not diagnosis.cams:
        return (NO_CAM,)
    if not diagnosis.judged:
        return (NO_REFERENCE,)
    found = {cam.state for cam in diagnosis.judged}
    worst: tuple[str, ...] = tuple(state for state in SEVERITY if state in found)
    thin = [cam for cam in diagnosis.judged if cam.state == "not enough data"]
    if thin and all(cam.evidence == "log" for cam in thin):
        worst = tuple(NO_LOG if state == "not enough data" else state for state in worst)
    if thin and all(cam.only_compared for cam in thin):
        worst = tuple(BANKS if state == "not enough data" else state for state in worst)
    return worst if worst == ("in time",) else tuple(s for s in worst if s != "in time")


def next_tests(diagnosis: Diagnosis) -> tuple[TestPart, ...]:
    """Tests worth doing next, the most telling first, at most four."""
    chosen = [advice for situation in situations(diagnosis) for advice in NEXT[situation]]
    return tuple(TestPart(test=a.test, minutes=a.minutes, why=a.why, source=SOURCE) for a in chosen[:MOST])


def cautions(diagnosis: Diagnosis) -> tuple[str, ...]:
    """What can hurt a person or the engine, the most pressing first."""
    found = situations(diagnosis)
    may_touch = "slipped" in found or any(abs(cam.offset_deg or 0.0) > 8.0 for cam in diagnosis.judged)
    suspected = [c for c in diagnosis.causes or () if c.cause in ("chain_slipped", "drive_broken")]
    may_touch = may_touch or any(c.probability >= SUSPECTED for c in suspected)
    may_touch = may_touch or may_have_met(diagnosis)
    return ((TOUCHING,) if may_touch else ()) + (AID,) + CAUTIONS + cranking_cautions(diagnosis)
