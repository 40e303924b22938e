"""Invented engines for the outside generator, as plain dicts in the layout of an engine file.

Nothing here is any maker's. Sizes and tooth counts are drawn within what is usual (common practice, no source).
"""

from __future__ import annotations

from math import gcd
from typing import Any

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Dict = dict[str, Any]

NAMES = (
    "Alder",
    "Birch",
    "Cedar",
    "Dogwood",
    "Elm",
    "Fir",
    "Gorse",
    "Hazel",
    "Ivy",
    "Juniper",
    "Larch",
    "Maple",
    "Rowan",
)
FIRING: dict[int, list[tuple[list[int], list[float] | None]]] = {
    2: [([1, 2], None), ([1, 2], [0.0, 270.0])],
    3: [([1, 3, 2], None)],
    4: [([1, 3, 4, 2], None), ([1, 2, 4, 3], None)],
    5: [([1, 2, 4, 5, 3], None)],
    6: [
        ([1, 5, 3, 6, 2, 4], None),
        ([1, 2, 3, 4, 5, 6], None),
        ([1, 6, 5, 4, 3, 2], [0.0, 90.0, 240.0, 330.0, 480.0, 570.0]),
    ],
    8: [([1, 8, 4, 3, 6, 5, 7, 2], None)],
}
# name, weight, wheel; the angles of an irregular wheel stand in "edges_deg"
WHEELS: list[tuple[str, float, Dict]] = [
    ("60-2", 0.30, {"teeth": 60, "missing": [58, 59]}),
    ("36-1", 0.13, {"teeth": 36, "missing": [35]}),
    ("36-2", 0.08, {"teeth": 36, "missing": [34, 35]}),
    ("36-2-2-2 alike", 0.06, {"teeth": 36, "missing": [10, 11, 22, 23, 34, 35]}),
    ("36-2-2-2 unlike", 0.05, {"teeth": 36, "missing": [13, 14, 16, 17, 34, 35]}),
    ("24-1", 0.07, {"teeth": 24, "missing": [23]}),
    ("30-2", 0.05, {"teeth": 30, "missing": [28, 29]}),
    ("48-2", 0.05, {"teeth": 48, "missing": [46, 47]}),
    ("40-1", 0.03, {"teeth": 40, "missing": [39]}),
    ("54-3", 0.02, {"teeth": 54, "missing": [51, 52, 53]}),
    ("12+1", 0.06, {"edges_deg": [0.0, 10.0, *(30.0 * k for k in range(1, 12))]}),
    ("24 even", 0.05, {"teeth": 24, "missing": []}),
    ("uneven 4", 0.05, {"edges_deg": [0.0, 70.0, 180.0, 250.0]}),
]
TWO_STAGE = [
    [(21, 28), (18, 27)],
    [(24, 32), (20, 30)],
    [(23, 46), (22, 22)],
    [(21, 42), (20, 20)],
    [(19, 38), (26, 26)],
]


def wheel_positions_deg(engine: Dict) -> Floats:
    """Nominal crank angles of the wheel's active edges, one turn, in the order in which they pass."""
    sensor = engine["crank_sensor"]
    wheel = sensor["wheel"]
    if "edges_deg" in wheel:
        within = np.array(wheel["edges_deg"])
    else:
        present = np.setdiff1d(np.arange(wheel["teeth"]), wheel["missing"])
        within = present * (360.0 / wheel["teeth"])
    return np.asarray(within + sensor["position_0_deg"], dtype=np.float64)


def crank_pitch_deg(engine: Dict) -> float:
    """Least spacing of the wheel's active edges."""
    positions = wheel_positions_deg(engine)
    return float(np.diff(np.append(positions, positions[0] + 360)).min())


def wheel_repeat_deg(engine: Dict) -> float:
    """Smallest turn that maps the wheel onto itself, to a hundredth of a degree."""
    marks = np.round(wheel_positions_deg(engine) * 100).astype(int) % 36000
    for parts in range(len(marks), 1, -1):
        if 36000 % parts == 0 and set(marks) == set((marks + 36000 // parts) % 36000):
            return 360.0 / parts
    return 360.0


def pattern_repeat_deg(cam: Dict) -> float:
    """Smallest turn of the crank that maps the cam's edges onto themselves."""
    marks = {(round(e["deg"] * 100) % 72000, e["edge"]) for e in cam["sensor"]["edges"]}
    for parts in range(len(marks), 1, -1):
        if {((m + 72000 // parts) % 72000, e) for m, e in marks} == marks:
            return 720.0 / parts
    return 720.0


def common_repeat_deg(engine: Dict, cam: Dict) -> float:
    """What the offset of one cam alone is known modulo."""
    return gcd(round(wheel_repeat_deg(engine) * 100), round(pattern_repeat_deg(cam) * 100)) / 100


def stage_pitches_deg(cam: Dict) -> list[float]:
    """Crank degrees by which one tooth moves the cam, for each stage of its drive, from crank to cam."""
    pitches, later = [], 1.0
    for stage in reversed(cam["drive"]):
        pitches.append(2 * 360.0 / stage["driven_teeth"] * later)
        later *= stage["driver_teeth"] / stage["driven_teeth"]
    return pitches[::-1]


def pick(rng: Generator, options: Any, weights: Any = None) -> Any:
    p = None if weights is None else np.asarray(weights, dtype=float) / np.sum(weights)
    return options[int(rng.choice(len(options), p=p))]


def draw_engine(rng: Generator) -> Dict:
    """An invented engine, as the dict that its engine file holds."""
    cylinders = int(pick(rng, [2, 3, 4, 5, 6, 8], [0.05, 0.13, 0.42, 0.05, 0.23, 0.12]))
    order, angles = pick(rng, FIRING[cylinders])
    vee = cylinders == 8 or (cylinders == 6 and rng.random() < 0.8) or (cylinders == 2 and angles is not None)
    banks = {1: list(range(1, cylinders + 1, 2)), 2: list(range(2, cylinders + 1, 2))} if vee else {1: sorted(order)}
    engine: Dict = {
        "schema": "tightside/engine/1",
        "name": f"{pick(rng, NAMES)} {cylinders}{'V' if vee else 'L'}{int(rng.integers(10, 99))}",
        "cylinders": cylinders,
        "banks": banks,
        "firing_order": order,
        "geometry": _geometry(rng),
        "idle_rpm": int(rng.integers(60, 95)) * 10,
        "crank_sensor": _crank_sensor(rng),
        "valves": _valves(rng),
        "deck_clearance_mm": round(float(rng.uniform(0.6, 1.2)), 2),
    }
    if angles is not None:
        engine["firing_angles_deg"] = angles
    engine["cams"] = _cams(rng, vee, len(banks[1]))
    return engine


def firing_angles_deg(engine: Dict) -> Floats:
    n = engine["cylinders"]
    return np.array(engine.get("firing_angles_deg", [720.0 * k / n for k in range(n)]))


def _geometry(rng: Generator) -> Dict:
    stroke = float(rng.uniform(72, 98))
    return {
        "bore_mm": round(float(rng.uniform(70, 95)), 1),
        "stroke_mm": round(stroke, 1),
        "rod_mm": round(stroke * float(rng.uniform(1.6, 1.85)), 1),
        "pin_offset_mm": float(pick(rng, [0.0, 0.5, 0.8])),
        "compression_ratio": round(float(rng.uniform(9.0, 12.0)), 1),
    }


def _valves(rng: Generator) -> Dict:
    def one(opens: float, closes: float) -> Dict:
        return {
            "count": 2,
            "head_diameter_mm": round(float(rng.uniform(25, 36)), 1),
            "max_lift_mm": round(float(rng.uniform(8, 11)), 1),
            "opens_deg": round(opens + float(rng.uniform(-8, 8)), 1),
            "closes_deg": round(closes + float(rng.uniform(-8, 8)), 1),
            "inclination_deg": round(float(rng.uniform(8, 24)), 1),
            "recess_mm": 0.6,
            "pocket_depth_mm": round(float(rng.uniform(0.5, 3)), 1),
        }

    return {"intake": one(352.0, 588.0), "exhaust": one(132.0, 368.0)}


def _crank_sensor(rng: Generator) -> Dict:
    _, _, wheel = WHEELS[int(rng.choice(len(WHEELS), p=[w for _, w, _ in WHEELS]))]
    coarse = len(wheel.get("edges_deg", ())) > 0
    kind = "vr" if not coarse and rng.random() < 0.35 else "hall"
    active = "falling" if kind == "vr" or rng.random() < 0.75 else "rising"
    return {
        "kind": kind,
        "wheel": dict(wheel),
        "position_0_deg": round(float(rng.uniform(0, 360)), 1),
        "active_edge": active,
    }


def _cams(rng: Generator, vee: bool, bank_size: int) -> Dict:
    if vee:
        names = pick(rng, [["1A", "2A"], ["1A", "1B", "2A", "2B"], ["1A", "2A", "1B"]], [0.35, 0.55, 0.1])
    else:
        names = pick(rng, [["1A"], ["1A", "1B"]], [0.45, 0.55])
    twin = "1B" in names
    vr = rng.random() < 0.2
    pattern = _vr_pattern(rng) if vr else _hall_pattern(rng)
    driver = int(rng.integers(17, 27))
    stages = pick(rng, TWO_STAGE) if rng.random() < 0.15 else [(driver, 2 * driver)]
    phased = rng.random() < 0.5
    return {n: _cam(rng, n, twin, pattern if rng.random() < 0.6 else None, vr, stages, phased) for n in sorted(names)}


def _cam(
    rng: Generator,
    name: str,
    twin: bool,
    shared: list[Dict] | None,
    vr: bool,
    stages: list[tuple[int, int]],
    phased: bool,
) -> Dict:
    pattern = shared if shared is not None else (_vr_pattern(rng) if vr else _hall_pattern(rng))
    cam: Dict = {
        "works": ["both"] if not twin else ["intake" if name.endswith("A") else "exhaust"],
        "sensor": {"kind": "vr" if vr else "hall", "edges": _turned(pattern, float(rng.integers(0, 7200)) / 10)},
        "drive": [
            {
                "driver_teeth": a,
                "driven_teeth": b,
                "pitch_mm": float(pick(rng, [6.35, 8.0, 9.525])),
                "links": int(rng.integers(35, 80)) * 2,
            }
            for a, b in stages
        ],
    }
    if not vr and len(pattern) > 2 and rng.random() < 0.15:  # the file lists one polarity only
        listed = str(pick(rng, ["rising", "falling"]))
        cam["sensor"]["edges"] = [e for e in cam["sensor"]["edges"] if e["edge"] == listed]
    if phased:
        direction = "advance" if name.endswith("A") else "retard"
        cam["phaser"] = {"authority_deg": float(rng.integers(5, 12) * 5), "direction": direction}
    return cam


def _turned(pattern: list[Dict], by_deg: float) -> list[Dict]:
    edges = [{"deg": round((e["deg"] + by_deg) % 720, 1) % 720, "edge": e["edge"]} for e in pattern]
    return sorted(edges, key=lambda e: e["deg"])


def _windows(starts: Floats, widths: Floats) -> list[Dict]:
    both = [
        [{"deg": float(s), "edge": "rising"}, {"deg": float(s + w), "edge": "falling"}]
        for s, w in zip(starts, widths, strict=True)
    ]
    return [edge for pair in both for edge in pair]


def _hall_pattern(rng: Generator) -> list[Dict]:
    """From a half moon to six irregular windows; the first rise stands at 0."""
    kind = pick(
        rng,
        ["half moon", "one", "two", "three alike", "four plus one", "irregular"],
        [0.2, 0.12, 0.13, 0.1, 0.12, 0.33],
    )
    if kind == "half moon":
        return _windows(np.array([0.0]), np.array([360.0]))
    if kind == "one":
        return _windows(np.array([0.0]), np.array([float(rng.integers(30, 140))]))
    if kind == "two":
        return _windows(np.array([0.0, float(rng.integers(200, 420))]), rng.integers(40, 170, 2).astype(float))
    if kind == "three alike":
        return _windows(np.array([0.0, 240.0, 480.0]), np.full(3, float(rng.integers(30, 90))))
    if kind == "four plus one":
        width = float(rng.integers(24, 50))
        extra = 180.0 * float(rng.integers(0, 4)) + width + float(rng.integers(25, 50))
        return _windows(np.array([0.0, 180.0, 360.0, 540.0, extra]), np.array([width] * 4 + [24.0]))
    count = int(rng.integers(3, 7))
    lengths = 24.0 + (720.0 - 48.0 * count) * rng.dirichlet(np.full(2 * count, 2.0))
    ends = np.round(np.cumsum(lengths), 0)
    starts = np.concatenate([[0.0], ends[1:-1:2]])
    return _windows(starts, ends[0::2] - starts)


def _vr_pattern(rng: Generator) -> list[Dict]:
    """One or two teeth on the cam: zero crossings, falling."""
    teeth = [0.0] if rng.random() < 0.5 else [0.0, float(pick(rng, [60.0, 240.0, 270.0, 330.0]))]
    return [{"deg": t, "edge": "falling"} for t in teeth]
