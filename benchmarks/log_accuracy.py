"""How often a verdict from a slow log is right, wrong or withheld, and whether its intervals hold what they say.

``python benchmarks/log_accuracy.py [FIRST [COUNT]]``: seeds FIRST to FIRST + COUNT. Two makers of logs, both with known
truth: the twin's controlled phasers, and plain arrays with autoregressive noise that know nothing of the twin.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from tightside.cli.simulate import subject_of
from tightside.engine.load import read_engine
from tightside.engine.patterns import cam_patterns
from tightside.records import CamPattern, Channel, Readings, Recording, tooth_pitch_deg
from tightside.timing.log_convention import Said
from tightside.timing.log_judge import LogVerdict, judge_log
from tightside.twin.log import LogFormat, LogRunning, LogScenario, Phaser, simulate_log
from tightside.twin.scene import Fault

ENGINE = read_engine("demo-v6")
SUBJECT, PATTERNS = subject_of(ENGINE), cam_patterns(ENGINE)
PITCH_DEG = tooth_pitch_deg(PATTERNS[0].stages)
CLEAR = ("slip", "", "wear", "crank-shift", "slow")  # faults after which the teeth can be told from a log


@dataclass
class Score:
    """Counts of one kind of log."""

    calls: Counter[str] = field(default_factory=Counter)
    covered: list[bool] = field(default_factory=list)
    widths: list[float] = field(default_factory=list)
    bins: list[tuple[float, bool]] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)

    def add(self, call: int | None, teeth: int, why: str) -> None:
        """One cam."""
        word = "withheld" if call is None else "right" if call == teeth else "WRONG"
        self.calls[word] += 1
        if word == "WRONG":
            self.wrong.append(why)

    def line(self) -> str:
        """The score in words."""
        n = sum(self.calls.values())
        share = {k: f"{100 * v / n:.1f} %" for k, v in sorted(self.calls.items())}
        covered = f"{100 * np.mean(self.covered):.1f} % of {len(self.covered)}" if self.covered else "-"
        half = f"{np.median(self.widths) / 2:.2f}" if self.widths else "-"
        return (
            f"{n} cams {share}; 95 % intervals hold {covered}, median half width {half} deg; {calibration(self.bins)}"
        )


def calibration(bins: list[tuple[float, bool]]) -> str:
    """Mean probability of the likeliest count against how often it was right."""
    if not bins:
        return "-"
    p, hit = np.array([b[0] for b in bins]), np.array([b[1] for b in bins])
    return f"likeliest count: said {p.mean():.3f}, was {hit.mean():.3f}"


def drawn_faults(rng: np.random.Generator) -> tuple[Fault, ...]:
    """What is wrong with one engine: mostly one thing or nothing on each bank."""
    kinds = rng.choice(["", "slip", "wear", "loose", "stuck", "slow", "lost", "slip+slow"], 2, p=P_KINDS)
    found = []
    for bank, kind in zip("12", kinds, strict=True):
        for part in kind.split("+"):
            if part:
                found.append(Fault(kind=part, target=f"{bank}A", value=_amount(part, rng)))  # type: ignore[arg-type]
    if rng.random() < 0.03:
        found.append(Fault(kind="crank-shift", target="all", value=float(rng.uniform(-14, 14))))
    return tuple(found)


P_KINDS = np.array([0.38, 0.24, 0.08, 0.08, 0.06, 0.07, 0.05, 0.04])


def _amount(kind: str, rng: np.random.Generator) -> float:
    if kind == "slip":
        return float(rng.choice([1, 2, 3, -1, -2], p=[0.42, 0.16, 0.04, 0.27, 0.11]))
    low, high = {"wear": (1, 6), "loose": (3, 9), "stuck": (0, 28), "slow": (2, 8), "lost": (0.1, 1.4)}[kind]
    return float(min(rng.uniform(low, high), 1.0) if kind == "lost" else rng.uniform(low, high))


def drawn_scenario(rng: np.random.Generator) -> LogScenario:
    """One log of the twin's."""
    rate = float(rng.choice([1, 2, 4, 10, 20, 40]))
    return LogScenario(
        running=LogRunning(
            drive=str(rng.choice(["idle", "revs", "drive"], p=[0.2, 0.4, 0.4])),  # type: ignore[arg-type]
            seconds=float(rng.uniform(30, 120)),
            ect_start_degc=float(rng.choice([20, 85])),
        ),
        faults=drawn_faults(rng),
        phaser=Phaser(
            rate_deg_s=float(rng.uniform(70, 250)),
            valve_s=float(rng.uniform(0.03, 0.12)),
            deadband_deg=float(rng.uniform(0.2, 1.5)),
            noise_deg=float(rng.uniform(0.05, 0.5)),
            ripple_deg=float(rng.uniform(0.05, 0.4)),
        ),
        log=LogFormat(
            rate_hz=rate,
            columns=str(rng.choice(["actual and desired", "error", "all"], p=[0.6, 0.2, 0.2])),  # type: ignore[arg-type]
            unit=str(rng.choice(["crank", "cam"], p=[0.75, 0.25])),  # type: ignore[arg-type]
            advance_positive=bool(rng.random() < 0.8),
            error_is=str(rng.choice(["desired - actual", "actual - desired"], p=[0.8, 0.2])),  # type: ignore[arg-type]
            quantum=float(rng.choice([0.0, 0.1, 0.5, 1.0])),
            dropouts=float(rng.choice([0.0, 0.02, 0.1])),
            named_unit=bool(rng.random() < 0.3),
        ),
        learned=1.0 if rng.random() < 0.03 else 0.0,
    )


def said_of(scenario: LogScenario, told: bool) -> Said:
    """What a user who knows his tool would say."""
    if not told:
        return Said()
    log = scenario.log
    positive = log.advance_positive
    if log.columns == "error":
        positive = positive != (log.error_is == "desired - actual")
    return Said(log.unit, "early" if positive else "late")


def renamed(recording: Recording, rng: np.random.Generator) -> Recording:
    """Headings as tools write them, which promise nothing."""
    if rng.random() < 0.3:
        return recording
    channels = []
    for c in recording.channels:
        unit = c.column.partition("[")[2]
        plain = f"VVT {(c.role or c.column).removeprefix('log:')}" + (f" [{unit}" if unit else "")
        channels.append(Channel(plain, c.data, c.unit, c.role, c.why))
    return Recording("log", "log", tuple(channels))


def twin_case(seed: int, told: bool, score: Score) -> LogVerdict:
    """One log of the twin's, judged and scored."""
    rng = np.random.default_rng([seed, 77])
    scenario = drawn_scenario(rng)
    recording, truth = simulate_log(SUBJECT, scenario, rng)
    own = renamed(recording, rng)
    house = scenario.log.unit == "crank" and said_of(scenario, True).positive == "late"
    if not told and scenario.log.columns == "error" and not house:
        own = renamed(recording, np.random.default_rng(0)) if own is recording else own
    found = judge_log(own, PATTERNS, said=said_of(scenario, told), idle_rpm=ENGINE.idle_rpm)
    for cam in found.cams:
        true = truth.of(cam.cam)
        why = (
            f"seed {seed} {cam.cam} {true.causes} {scenario.log.columns} {scenario.log.unit} {scenario.running.drive} "
        )
        why += f"said {cam.teeth_call} true {true.teeth} offset {cam.offset_deg} {true.offset_deg:.1f}"
        if scenario.learned and true.offset_deg:
            continue
        score.add(cam.teeth_call, true.teeth, why)
        clear = all(c in CLEAR for c in true.causes)
        if cam.teeth and clear:
            best = max(cam.teeth, key=lambda kv: kv[1])
            score.bins.append((best[1], best[0] == true.teeth))
        if cam.ci95_deg is not None and clear and "parked" in _places(found, cam.cam):
            score.covered.append(cam.ci95_deg[0] <= true.shown_deg <= cam.ci95_deg[1])
            score.widths.append(cam.ci95_deg[1] - cam.ci95_deg[0])
    return found


def _places(found: LogVerdict, cam: str) -> str:
    motion = next(m for m in found.phasers if m.cam == cam)
    return "parked" if motion.parked_share is None or motion.parked_share > 0.1 else ""


def plain_case(seed: int, score: Score) -> None:
    """Arrays made by hand: level, autoregressive noise, rounding. Error in crank degrees, late positive, as said."""
    rng = np.random.default_rng([seed, 78])
    n, rate = int(rng.integers(60, 1200)), float(rng.choice([1, 5, 10, 20]))
    teeth = int(rng.choice([0, 1, -1, 2, -2], p=[0.5, 0.2, 0.15, 0.1, 0.05]))
    level = teeth * PITCH_DEG + float(rng.normal(0, 0.8))
    x = level + rng.uniform(0.1, 0.8) * autoregressive(rng, n, float(rng.uniform(0, 0.95)))
    quantum = float(rng.choice([0.01, 0.1, 0.5]))
    t = np.arange(n) / rate
    pattern = CamPattern("1A", np.empty(0), np.empty(0, bool), PATTERNS[0].stages, 30.0, True)
    channels = (
        Channel("error", Readings(t, np.round(x / quantum) * quantum), "deg", "log:cam_phase_error:1A"),
        Channel("rpm", Readings(t, 680 + 5 * rng.standard_normal(n)), "rpm", "log:rpm"),
    )
    found = judge_log(Recording("plain", "log", channels), (pattern,), said=Said("crank", "late"), idle_rpm=680.0)
    cam = found.cams[0]
    score.add(cam.teeth_call, teeth, f"plain seed {seed}: said {cam.teeth_call} true {teeth} level {level:.2f}")
    if cam.ci95_deg is not None:
        score.covered.append(cam.ci95_deg[0] <= level <= cam.ci95_deg[1])
        score.widths.append(cam.ci95_deg[1] - cam.ci95_deg[0])
    if cam.teeth:
        best = max(cam.teeth, key=lambda kv: kv[1])
        score.bins.append((best[1], best[0] == teeth))


def autoregressive(rng: np.random.Generator, n: int, rho: float) -> np.ndarray:
    """First-order autoregression of unit variance."""
    x = rng.standard_normal(n)
    for i in range(1, n):
        x[i] = rho * x[i - 1] + np.sqrt(1 - rho**2) * x[i]
    return x


def main(first: int = 0, count: int = 150) -> None:
    """Print the scores."""
    plain, told, untold = Score(), Score(), Score()
    for seed in range(first, first + count):
        plain_case(seed, plain)
        twin_case(seed, True, told)
        twin_case(seed, False, untold)
    for name, score in (("plain arrays", plain), ("twin, unit and side said", told), ("twin, nothing said", untold)):
        print(f"{name}: {score.line()}")
        for why in score.wrong:
            print("   ", why)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
