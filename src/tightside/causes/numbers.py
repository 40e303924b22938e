"""Every number of the cause network, each with its reason.

None of them has a published source: all are **common practice, no source**, set by what the parts do and how the trade
speaks of them. They weigh possibilities where measurements are silent; where there is a measurement it decides. How
far they may be wrong before the answers are is shown by ``benchmarks/clinic.py``, whose vehicles come from other
numbers than these.

A *fault* sits at a place: the engine (""), a bank ("1") or a camshaft ("1A"). A *sign* is something that is seen or
not: each fault that is present brings it about with its own probability, independently, and ``leak`` is the probability
that it is there for no such reason (a noisy-OR).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from tightside.records import CauseName

Scope = Literal["engine", "bank", "cam"]
PRACTICE = "common practice, no source"

#: most faults at once that are weighed. More than three independent ones are rarer than the numbers here are sure.
MOST_FAULTS = 3


@dataclass(frozen=True, slots=True)
class FaultKind:
    """A kind of fault: where it sits, how often it is there, and what it is called in a result."""

    scope: Scope
    prior: float  # of vehicles that come with such a complaint, at each place where it can be
    cause: CauseName
    words: str
    reason: str
    phaser: bool = False  # only where there is a phaser


# In order of what must be put right first: where several are present, this is the one that a cam's entry names.
FAULTS: dict[str, FaultKind] = {
    "drive_broken": FaultKind("bank", 0.012, "drive_broken", "the drive of the bank is broken", "rarer than a slip"),
    "cam_drive_broken": FaultKind(
        "cam", 0.006, "drive_broken", "this camshaft is not driven", "sheared dowel or broken second chain: rare"
    ),
    "chain_slipped": FaultKind(
        "bank", 0.06, "chain_slipped", "the chain has jumped for the whole bank", "why such vehicles are brought at all"
    ),
    "cam_slipped": FaultKind(
        "cam", 0.045, "chain_slipped", "the chain has jumped on this sprocket", "as likely for one cam as for a bank"
    ),
    "phaser_loose": FaultKind(
        "cam", 0.06, "phaser_loose", "the phaser does not hold its place", "a part that wears", phaser=True
    ),
    "phaser_stuck": FaultKind(
        "cam", 0.03, "phaser_stuck", "the phaser does not move", "dirt or a lock pin, less common", phaser=True
    ),
    "oil_valve": FaultKind(
        "cam",
        0.05,
        "oil_control",
        "the phaser's oil valve or screen hinders it",
        "among the commonest findings",
        phaser=True,
    ),
    "cam_signal": FaultKind("cam", 0.045, "cam_signal", "the cam sensor or its wiring", "a cheap part in a hot place"),
    "wheel_moved": FaultKind(
        "cam", 0.012, "wrong_reference", "this cam's sensor wheel or its data is off", "what else nothing explains"
    ),
    "chain_worn": FaultKind(
        "bank", 0.115, "chain_worn", "the chain is long or its tensioner is at its end", "follows from the wear below"
    ),
    "crank_signal": FaultKind("engine", 0.05, "crank_signal", "the crank sensor, its wheel or wiring", "as a cam's"),
    "reference_off": FaultKind(
        "engine", 0.04, "wrong_reference", "the crank wheel or the engine data is off", "as the tooth count takes it"
    ),
    "oil_low": FaultKind(
        "engine",
        0.08,
        "oil_control",
        "oil is short, too thin or dirty",
        "neglect is common, and shows first at phasers",
    ),
}

#: how a fault changes the odds of another on the same bank, or anywhere when it is the engine's own
RAISES: dict[tuple[str, str], float] = {
    ("oil_low", "chain_worn"): 2.0,  # a dry chain and a tensioner without oil
    ("oil_low", "chain_slipped"): 1.5,
    ("oil_low", "phaser_loose"): 2.0,
    ("oil_low", "phaser_stuck"): 2.0,
    ("oil_low", "oil_valve"): 2.0,
    ("chain_worn", "chain_slipped"): 2.5,  # a long chain has room to jump
    ("chain_worn", "cam_slipped"): 2.0,
    ("chain_worn", "drive_broken"): 2.0,
}

# ------------------------------------------------------------------------------------ what the measurements should show
# The first group is the tooth count's own (timing/teeth.py), so that both read an offset alike; a test holds that.

MOST_TEETH = 4
LATE_SHARE = 0.62
BY_COUNT = {1: 0.58, 2: 0.25, 3: 0.11, 4: 0.06}
MOUNT_SD_DEG = 0.9
WEAR_SHARE, WEAR_MEAN_DEG, WEAR_MOST_DEG = 0.55, 1.6, 7.0
PHASER_AWAY, PHASER_AWAY_CRANKING = 0.04, 0.012  # a sound phaser that is not parked
ADRIFT, ADRIFT_SPAN_DEG = 0.002, 200.0  # an offset that no fault of these explains
MOVED_ANYWHERE = 0.3  # a wheel or data of another kind: off by anything within that span
REFERENCE_SD_DEG, REFERENCE_SPAN_DEG = 0.6, 14.0
REFERENCE_ANYWHERE, REFERENCE_MOST_DEG = 0.1, 100.0  # another engine's data: off by anything, up to this

WORN_FROM_DEG, WORN_SOFT_DEG = 2.5, 0.5  # from about this lateness wear is a fault, and how soft that edge is
WORN_FAR, WORN_FAR_DEG = 0.2, 10.0  # of the worn, those as late as a failed tensioner lets them, and how late
USUAL_PITCH_DEG = 19.0  # one tooth, where the drive is not known (sprockets of 36 to 42 teeth)
USUAL_AUTHORITY_DEG = 45.0  # a phaser's reach, where it is not known
STUCK_AT_PARK = 0.3  # a phaser that hangs, hangs there
VALVE_AWAY = 0.4  # a bad oil valve leaves it away from where it belongs
OIL_AWAY = 0.2  # oil that is short does that to any one phaser
LOOSE_SD_DEG = (1.2, 5.0)  # where the mean of a loose phaser lies: it swings about its place, or hangs to one side
LOOSE_SHARES = (0.65, 0.25)  # ... how often each; else anywhere within its reach
SIGNAL_FALSE = 0.3  # a bad sensor that still gives edges gives them at false places

CRANKING_RPM = 400.0
CRANKING_SCATTER = 1.5  # everything scatters more at cranking speed

#: scatter from cycle to cycle [deg]: mixtures of (weight, median, sd of its logarithm)
SCATTER_DEG: dict[str, tuple[tuple[float, float, float], ...]] = {
    "place": ((0.985, 0.25, 0.6), (0.015, 1.0, 0.7)),
    "oil": ((0.6, 0.3, 0.7), (0.4, 1.5, 0.9)),
    "worn": ((0.9, 0.4, 0.7), (0.1, 1.5, 0.9)),
    "loose": ((0.95, 3.0, 0.7), (0.05, 0.6, 0.9)),
    "stuck": ((0.985, 0.25, 0.6), (0.015, 1.0, 0.7)),
    "valve": ((0.7, 0.4, 0.8), (0.3, 1.5, 0.9)),
    "signal": ((0.6, 0.4, 0.8), (0.4, 3.0, 1.2)),
    "moved": ((0.95, 0.25, 0.7), (0.05, 2.0, 1.0)),
    "broken": ((0.5, 0.4, 0.9), (0.5, 4.0, 1.3)),
    "crank": ((0.6, 0.4, 0.8), (0.4, 2.0, 1.2)),
}

#: whether a recorded cam could be judged: probabilities of (judged, too little that fits, no signal at all)
SEEN: dict[str, tuple[float, float, float]] = {
    "place": (0.95, 0.04, 0.01),
    "signal": (0.42, 0.20, 0.38),
    "broken": (0.12, 0.12, 0.76),
    "crank": (0.75, 0.20, 0.05),
    "loose": (0.93, 0.06, 0.01),
}

#: a phaser in a log: share of a commanded move that it makes, (mean, sd); a sound one makes all of it
FOLLOWS: dict[str, tuple[float, float]] = {
    "place": (1.0, 0.06),
    "oil": (0.8, 0.2),
    "loose": (0.97, 0.12),
    "stuck": (0.03, 0.08),
    "valve": (0.65, 0.35),
    "signal": (0.9, 0.4),
}
#: ... and its time constant [s]: (median, sd of the logarithm)
RESPONSE_S: dict[str, tuple[float, float]] = {
    "place": (0.3, 0.6),
    "oil": (0.8, 0.8),
    "loose": (0.33, 0.7),
    "stuck": (1.0, 1.5),
    "valve": (1.1, 0.8),
    "signal": (0.4, 1.0),
}
ODD_LOG = 0.02  # a log that says something else for reasons of its own

# --------------------------------------------------------------------------------------------------------------- signs


@dataclass(frozen=True, slots=True)
class Sign:
    """Something that is there or not, and how often each fault brings it about."""

    scope: Scope
    leak: float
    brings: dict[str, float]
    yes: str  # what is said when it is there; {at} is the place in words
    no: str
    reason: str = PRACTICE
    unless: float = 1.0  # how much its absence counts, where a shop or module often does not look for it


SIGNS: dict[str, Sign] = {
    # that it was brought in at all
    "complaint": Sign(
        "engine",
        0.24,
        {kind: 0.6 if kind in ("chain_worn", "oil_low") else 0.9 for kind in FAULTS},
        "it was brought in with a complaint",
        "nobody complains of it",
        "most vehicles that are brought in have something; worn chains and short oil are often not noticed",
    ),
    # what is heard, seen and told
    "rattle": Sign(
        "engine",
        0.10,
        {
            "chain_worn": 0.55,
            "chain_slipped": 0.35,
            "cam_slipped": 0.3,
            "phaser_loose": 0.5,
            "oil_low": 0.35,
            "drive_broken": 0.2,
        },
        "it rattles after a cold start for longer than oil pressure needs",
        "no long rattle after a cold start",
        "a chain or a phaser without pressure rattles until there is oil; it should stop within a couple of seconds",
    ),
    "chain_noise": Sign(
        "engine",
        0.05,
        {
            "chain_worn": 0.3,
            "chain_slipped": 0.35,
            "cam_slipped": 0.3,
            "drive_broken": 0.3,
            "phaser_loose": 0.25,
            "oil_low": 0.15,
        },
        "there is a noise from the timing drive",
        "the timing drive is quiet",
    ),
    "plastic_in_oil": Sign(
        "engine",
        0.01,
        {"chain_worn": 0.25, "chain_slipped": 0.35, "cam_slipped": 0.25, "drive_broken": 0.45},
        "there is plastic in the oil",
        "no plastic in the oil",
        "guides are plastic: pieces in the oil come from them",
    ),
    "metal_in_oil": Sign(
        "engine",
        0.02,
        {"chain_worn": 0.1, "chain_slipped": 0.1, "drive_broken": 0.25, "phaser_loose": 0.08, "oil_low": 0.1},
        "there is metal in the oil",
        "no metal in the oil",
    ),
    "oil_level_low": Sign("engine", 0.08, {"oil_low": 0.55}, "the oil level is low", "the oil level is right"),
    "oil_pressure_low": Sign(
        "engine", 0.03, {"oil_low": 0.75}, "the oil pressure is low", "the oil pressure is as it should be"
    ),
    "oil_wrong": Sign(
        "engine",
        0.04,
        {"oil_low": 0.35, "oil_valve": 0.2, "phaser_stuck": 0.2, "chain_worn": 0.1},
        "the oil is sludged, overdue or of a wrong grade",
        "the oil is clean and of the right grade",
    ),
    "oil_leak": Sign(
        "engine",
        0.15,
        {"oil_low": 0.3, "cam_signal": 0.08, "chain_slipped": 0.04},
        "oil leaks at a cover",
        "no oil leak at a cover",
        "oil lost there is short elsewhere; oil in a sensor's plug disturbs it; a loose chain wears its cover",
    ),
    "no_start": Sign(
        "engine",
        0.06,
        {
            "drive_broken": 0.85,
            "cam_drive_broken": 0.35,
            "chain_slipped": 0.3,
            "cam_slipped": 0.12,
            "crank_signal": 0.5,
            "cam_signal": 0.08,
        },
        "it does not start",
        "it starts and runs",
    ),
    "sudden": Sign(
        "engine",
        0.2,
        {
            "drive_broken": 0.9,
            "cam_drive_broken": 0.85,
            "chain_slipped": 0.5,
            "cam_slipped": 0.5,
            "crank_signal": 0.4,
            "cam_signal": 0.4,
            "phaser_stuck": 0.2,
            "oil_valve": 0.2,
        },
        "it failed all at once",
        "it came on slowly",
    ),
    "timing_work": Sign(
        "engine",
        0.03,
        {"chain_slipped": 0.2, "cam_slipped": 0.25, "reference_off": 0.3, "wheel_moved": 0.3, "cam_signal": 0.04},
        "the timing drive was worked on lately",
        "no work on the timing drive lately",
        "a chain put on a tooth off, or a wheel put back wrong, shows after such work",
    ),
    "sensor_work": Sign(
        "engine",
        0.05,
        {"cam_signal": 0.1, "crank_signal": 0.1, "reference_off": 0.15, "wheel_moved": 0.15},
        "a crank or cam sensor or its wheel was worked on lately",
        "no work on the sensors lately",
    ),
    "bank_weak": Sign(
        "bank",
        0.04,
        {"chain_slipped": 0.6, "cam_slipped": 0.35, "drive_broken": 0.9, "cam_drive_broken": 0.85, "chain_worn": 0.05},
        "the cylinders of {at} compress less",
        "the cylinders of {at} compress as they should",
        "a late intake cam closes late and traps less air; valves that do not move trap none",
    ),
    "bank_leaks": Sign(
        "bank",
        0.07,
        {"chain_slipped": 0.12, "cam_slipped": 0.06, "drive_broken": 0.5, "cam_drive_broken": 0.4},
        "cylinders of {at} leak",
        "the cylinders of {at} hold their air",
        "valves that met pistons do not seal; most leaks are older and have nothing to do with timing",
    ),
    # trouble codes. A module that does not run a test stores nothing, so absence counts for less.
    "code_correlation": Sign(
        "cam",
        0.025,
        {
            "chain_slipped": 0.65,
            "cam_slipped": 0.65,
            "chain_worn": 0.12,
            "drive_broken": 0.35,
            "cam_drive_broken": 0.45,
            "phaser_loose": 0.15,
            "phaser_stuck": 0.25,
            "oil_valve": 0.1,
            "oil_low": 0.06,
            "cam_signal": 0.15,
            "crank_signal": 0.15,
            "wheel_moved": 0.5,
            "reference_off": 0.25,
        },
        "a code says that crank and cam {at} do not agree",
        "no code that crank and cam {at} do not agree",
        unless=0.5,
    ),
    "code_position": Sign(
        "cam",
        0.025,
        {
            "phaser_stuck": 0.6,
            "oil_valve": 0.5,
            "oil_low": 0.25,
            "phaser_loose": 0.3,
            "chain_slipped": 0.12,
            "cam_slipped": 0.12,
            "chain_worn": 0.05,
        },
        "a code says that cam {at} is not where it is told to be, or slow",
        "no code that cam {at} misses its place",
        unless=0.5,
    ),
    "code_actuator": Sign(
        "cam",
        0.006,
        {"oil_valve": 0.35},
        "a code says that the oil valve circuit of cam {at} is at fault",
        "no code for the oil valve circuit of cam {at}",
        unless=0.5,
    ),
    "code_sensor": Sign(
        "cam",
        0.025,
        {
            "cam_signal": 0.75,
            "drive_broken": 0.5,
            "cam_drive_broken": 0.55,
            "crank_signal": 0.04,
            "wheel_moved": 0.05,
            "chain_slipped": 0.05,
            "cam_slipped": 0.05,
        },
        "a code says that the signal of cam sensor {at} is at fault",
        "no code for the signal of cam sensor {at}",
        unless=0.6,
    ),
    "code_engine_position": Sign(
        "bank",
        0.008,
        {"chain_slipped": 0.35, "cam_slipped": 0.1, "chain_worn": 0.1, "reference_off": 0.1, "crank_signal": 0.05},
        "a code says that the timing of {at} as a whole is off",
        "no code that the timing of {at} as a whole is off",
        "all cams of a bank off alike speak for its common drive",
        unless=0.4,
    ),
    "code_crank": Sign(
        "engine",
        0.02,
        {"crank_signal": 0.75},
        "a code says that the crank sensor's signal is at fault",
        "no code for the crank sensor's signal",
        unless=0.6,
    ),
    "code_oil": Sign(
        "engine",
        0.01,
        {"oil_low": 0.35},
        "a code says that oil pressure is at fault",
        "no code for oil pressure",
        unless=0.3,
    ),
    "code_misfire": Sign(
        "engine",
        0.15,
        {
            "chain_slipped": 0.45,
            "cam_slipped": 0.35,
            "drive_broken": 0.35,
            "cam_drive_broken": 0.4,
            "phaser_stuck": 0.1,
            "phaser_loose": 0.1,
            "crank_signal": 0.2,
        },
        "a code says that it misfires",
        "no code that it misfires",
        unless=0.4,
    ),
    # what the recordings say beside the offsets
    "crank_trouble": Sign(
        "engine",
        0.05,
        {"crank_signal": 0.7},
        "the recorded crank signal has pulses missing or too many",
        "the recorded crank signal is clean",
    ),
    "log_signal": Sign(
        "cam",
        0.02,
        {"cam_signal": 0.45, "cam_drive_broken": 0.2, "drive_broken": 0.2},
        "the logged position of cam {at} is frozen, out of range or drops out",
        "the logged position of cam {at} is alive",
    ),
    # results of the tests below
    "marks_off": Sign(
        "cam",
        0.02,
        {"chain_slipped": 0.95, "cam_slipped": 0.95, "drive_broken": 0.9, "cam_drive_broken": 0.9, "chain_worn": 0.06},
        "the timing marks of cam {at} are off",
        "the timing marks of cam {at} are where they belong",
    ),
    "chain_slack": Sign(
        "bank",
        0.06,
        {"chain_worn": 0.85, "chain_slipped": 0.55, "cam_slipped": 0.4, "drive_broken": 0.8},
        "the chain of {at} is slack or its tensioner far out",
        "the chain of {at} is tight and its tensioner has travel left",
    ),
    "cam_turns_not": Sign(
        "cam",
        0.01,
        {"drive_broken": 0.97, "cam_drive_broken": 0.95},
        "cam {at} does not turn with the crank",
        "cam {at} turns with the crank",
    ),
    "follows_sensor": Sign(
        "cam",
        0.02,
        {"cam_signal": 0.6},
        "the trouble follows the sensor of cam {at} to another place",
        "the trouble stays when the sensor of cam {at} is swapped",
    ),
    "sensor_circuit_bad": Sign(
        "cam",
        0.02,
        {"cam_signal": 0.6},
        "supply, ground, wire or air gap of cam sensor {at} is bad",
        "supply, ground, wire and air gap of cam sensor {at} are good",
    ),
    "crank_circuit_bad": Sign(
        "engine",
        0.02,
        {"crank_signal": 0.8},
        "supply, ground, wire, air gap or wheel of the crank sensor is bad",
        "supply, ground, wire, air gap and wheel of the crank sensor are good",
    ),
    "valve_dead": Sign(
        "cam",
        0.04,
        {"oil_valve": 0.75},
        "the oil valve of cam {at} is open, sticks or its screen is blocked",
        "the oil valve of cam {at} and its screen are good",
    ),
    "does_not_follow": Sign(
        "cam",
        0.05,
        {"phaser_stuck": 0.92, "oil_valve": 0.8, "oil_low": 0.4, "phaser_loose": 0.3, "cam_signal": 0.2},
        "cam {at} does not follow a command",
        "cam {at} follows a command",
    ),
    "phaser_play": Sign(
        "cam",
        0.03,
        {"phaser_loose": 0.85},
        "the phaser of cam {at} has play by hand",
        "the phaser of cam {at} has no play by hand",
    ),
    "data_differs": Sign(
        "engine",
        0.02,
        {"reference_off": 0.85, "wheel_moved": 0.25},
        "the crank wheel has moved, or the engine data is of another engine",
        "the crank wheel sits right and the engine data is of this engine",
    ),
    "wheel_loose": Sign(
        "cam",
        0.02,
        {"wheel_moved": 0.85, "cam_signal": 0.05},
        "the sensor wheel of cam {at} has turned on its shaft",
        "the sensor wheel of cam {at} sits fast",
    ),
}

#: which sign a standard code of a family is (SAE J2012 numbers; the place comes with the code)
CODE_SIGNS: dict[str, tuple[str, ...]] = {
    "code_correlation": ("P0016", "P0017", "P0018", "P0019"),
    "code_engine_position": ("P0008", "P0009"),
    "code_position": (
        *("P000A", "P000B", "P000C", "P000D"),
        *("P0011", "P0012", "P0014", "P0015", "P0021", "P0022", "P0024", "P0025"),
    ),
    "code_actuator": ("P0010", "P0013", "P0020", "P0023", "P0026", "P0027", "P0028", "P0029"),
    "code_sensor": (
        *(f"P03{n}" for n in range(40, 50)),
        *(f"P03{n}" for n in range(65, 70)),
        *(f"P03{n}" for n in range(90, 95)),
    ),
    "code_crank": (*(f"P03{n}" for n in range(35, 40)), *(f"P03{n}" for n in range(85, 90))),
    "code_oil": tuple(f"P05{n}" for n in range(20, 25)),
    "code_misfire": tuple(f"P03{n:02d}" for n in range(13)),
}
#: how much a code counts by its status: one that failed once and is not confirmed, or that lies long back, for less
CODE_STATUS = {"stored": 1.0, "confirmed": 1.0, "permanent": 1.0, "new": 1.0, "pending": 0.5, "history": 0.4}
#: any other code, by how strongly it supports a cause: probability that the cause stores it, against a leak
OTHER_CODE = {"strong": 0.5, "moderate": 0.25, "weak": 0.1, "against": 0.0}
OTHER_CODE_LEAK = 0.05

# ------------------------------------------------------------------------------------- values that are not yes or no
#: (median, sd of the logarithm) where the sign is there, and where it is not
RATTLE_S = ((4.0, 0.9), (0.8, 0.9))
WORN_KM = ((210_000.0, 0.45), (140_000.0, 0.7))  # a chain that is worn, any other vehicle
LOW_OIL_KPA = (90.0, 25.0)  # warm idle: half of all shops would call it low here; width of the doubt
WEAK_RATIO = (0.87, 0.04)  # a bank's compression to the other bank's
WEAK_RATIO_CURRENT = (0.85, 0.07)  # ... the same by the starter's current, which is no pressure
WEAK_KPA = (800.0, 100.0)  # ... or by itself, gauge, where there is no other bank
LEAK_PERCENT = (22.0, 5.0)  # worst cylinder of a bank
ODD_PULSES = (-2.6, 0.35)  # log10 of the share of crank pulses missing or too many; width of the doubt
OVERDUE_KM = (18_000.0, 3_000.0)  # since the last oil change
