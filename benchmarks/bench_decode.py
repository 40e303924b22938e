"""How long the decode stage takes beside one pass of ``np.max`` and beside a plain NumPy script.

Four int16 channels of 10 s at 1 MS/s: a 60-2 crank wheel near 700 rpm and three cams, Hall sensors, mild noise.
Times are the best of several runs, which is what the machine can do undisturbed; what is compared is run in turns, and
everything is compiled before. A busy machine interrupts what takes longer than a few milliseconds and leaves ``np.max``
alone, so the ratios say something on a quiet one only; the processor time of one thread is printed for the others.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
from numpy.typing import NDArray

import plain_decode
from tightside.records import Channel, EdgeTrain, Recording, Trace, WheelPattern
from tightside.signals.decode import decode
from tightside.signals.edges import find_edges
from tightside.signals.follow import follow_wheel

RATE_HZ = 1_000_000.0
DURATION_S = 10.0
SCALE = 5.0 / 20000.0
RPM = 703.217  # no simple ratio to the rate and the duration: at 700 every recording would end inside an edge
MOST_TIMES_MAX, LEAST_TIMES_PLAIN, MOST_BYTES = 4.0, 10.0, 3.0
WHEEL = WheelPattern(name="60-2", angles_deg=np.arange(58) * 6.0, active_edge="falling")
CAM_EDGES_DEG = [
    np.array([30.0, 62.0, 150.0, 240.0, 400.0, 410.0, 600.0, 640.0]) + shift for shift in (0.0, 20.0, 45.0)
]


def _turn_times(rng: np.random.Generator, duration_s: float) -> tuple[NDArray[Any], NDArray[Any]]:
    """Crank angle against time: swinging 3 % three times a turn, wandering slowly."""
    t = np.arange(0.0, duration_s + 0.2, 1e-4)
    wander = 1.0 + 0.01 * np.sin(2 * np.pi * (0.3 * t + rng.random()))
    mean = np.concatenate([[0.0], np.cumsum(6.0 * RPM * wander[:-1] * 1e-4)])
    return t, mean + 0.03 / np.deg2rad(3.0) * 0.1 * np.sin(np.deg2rad(3.0 * mean))


def _volts(rng: np.random.Generator, edges_s: NDArray[Any], n: int, rise_s: float) -> NDArray[np.int16]:
    """Alternating edges, first one rising, as straight ramps of rise_s, with 1 % noise; a piece at a time."""
    at = np.stack([edges_s - rise_s / 2, edges_s + rise_s / 2], axis=1).ravel()
    level = np.tile([0.0, 20000.0, 20000.0, 0.0], len(edges_s) // 2 + 1)[: len(at)]
    out = np.empty(n, np.int16)
    for a in range(0, n, 1 << 20):
        b = min(n, a + (1 << 20))
        out[a:b] = np.interp(np.arange(a, b) / RATE_HZ, at, level) + rng.normal(0.0, 200.0, b - a)
    return out


def recording(seed: int = 7, duration_s: float = DURATION_S) -> NDArray[np.int16]:
    """(4, S) crank and three cams."""
    rng = np.random.default_rng(seed)
    t, angle = _turn_times(rng, duration_s)
    n = int(duration_s * RATE_HZ)
    turns = int(angle[-1] // 360.0)
    teeth = (np.arange(turns)[:, None] * 360.0 + WHEEL.angles_deg).ravel()
    crank = np.sort(np.concatenate([teeth - 3.0, teeth]))[2:]
    cycles = np.arange(turns // 2)[:, None] * 720.0
    edges = [crank] + [np.sort((cycles + e).ravel()) for e in CAM_EDGES_DEG]
    return np.stack([_volts(rng, np.interp(e, angle, t), n, 10e-6) for e in edges])


def _channels(raws: NDArray[np.int16]) -> list[Channel]:
    names = ("crank", "cam:1A", "cam:1B", "cam:2A")
    return [
        Channel(name, Trace(raw, RATE_HZ, scale=SCALE), unit="V", role=name)
        for name, raw in zip(names, raws, strict=True)
    ]


def decode_stage(channels: list[Channel], threads: int = 1) -> list[EdgeTrain]:
    """What is timed: the edges of all channels, and the crank wheel followed."""
    if threads == 1:
        trains = [find_edges(c) for c in channels]
    else:
        with ThreadPoolExecutor(threads) as pool:
            trains = list(pool.map(find_edges, channels))
    follow_wheel(trains[0].of(WHEEL.active_edge), WHEEL)
    return trains


def _best_s(works: dict[str, Callable[[], Any]], runs: int) -> dict[str, float]:
    """Least seconds of each, run in turns so that all have the same machine; of this thread if named processor_s."""
    best = dict.fromkeys(works, np.inf)
    for _ in range(runs):
        for name, work in works.items():
            clock = time.thread_time if name.endswith("processor_s") else time.perf_counter
            start = clock()
            work()
            best[name] = min(best[name], clock() - start)
    return best


def _peak_bytes(work: Callable[[], Any]) -> int:
    """Peak of what NumPy and Python allocate beyond what is there already. Kernels allocate nothing of size."""
    tracemalloc.start()
    work()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak


def _first_run_s() -> float:
    """A fresh process that must compile: int16 and float64."""
    script = (
        "import os, tempfile; os.environ['NUMBA_CACHE_DIR'] = tempfile.mkdtemp()\n"
        "import numpy as np, time; t = time.perf_counter()\n"
        "from tightside.records import Channel, Trace; from tightside.signals.edges import find_edges\n"
        "x = (np.arange(40000) // 100 % 2 * 1000).astype(np.int16)\n"
        "find_edges(Channel('c', Trace(x, 1e5))); find_edges(Channel('c', Trace(x.astype(float), 1e5)))\n"
        "print(time.perf_counter() - t)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return float(done.stdout)


def measure(*, runs: int = 15, duration_s: float = DURATION_S, compile_too: bool = True) -> dict[str, float]:
    """Seconds, ratios and bytes of the decode stage on one synthetic recording."""
    raws = recording(duration_s=duration_s)
    channels = _channels(raws)
    whole = Recording(file="made here", kind="sensor", channels=tuple(channels))
    plain: Callable[[], Any] = lambda: plain_decode.decode(raws, SCALE, RATE_HZ, CAM_EDGES_DEG)  # noqa: E731
    decode_stage(channels), decode(whole, WHEEL)
    found = _best_s(
        {
            "max_s": raws.max,
            "edges_s": lambda: [find_edges(c) for c in channels],
            "decode_s": lambda: decode_stage(channels),
            "decode_processor_s": lambda: decode_stage(channels),
            "decode_two_threads_s": lambda: decode_stage(channels, 2),
            "whole_s": lambda: decode(whole, WHEEL),
            "plain_s": plain,
        },
        runs,
    )
    found |= {
        "array_bytes": float(raws.nbytes),
        "peak_extra_bytes": float(_peak_bytes(lambda: decode_stage(channels, 2))),
        "plain_peak_extra_bytes": float(_peak_bytes(plain)),
        "process_peak_bytes": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024.0,
    }
    if compile_too:
        found["first_run_s"] = _first_run_s()
    return found


def main() -> int:
    """Print the table; exit status 1 where a target is missed."""
    m = measure()
    ours_s = min(m["decode_s"], m["decode_two_threads_s"])
    mb, of_max, of_plain, of_bytes = (
        1e6,
        ours_s / m["max_s"],
        m["plain_s"] / ours_s,
        m["peak_extra_bytes"] / m["array_bytes"],
    )
    print(f"4 channels x {DURATION_S:.0f} s x 1 MS/s int16, {m['array_bytes'] / mb:.0f} MB")
    for name, key in (
        ("np.max, one pass", "max_s"),
        ("edges of the four channels", "edges_s"),
        ("decode stage, one thread", "decode_s"),
        ("the same, processor time", "decode_processor_s"),
        ("decode stage, two threads", "decode_two_threads_s"),
        ("with clock and cams", "whole_s"),
        ("plain NumPy script", "plain_s"),
    ):
        print(f"{name:32} {m[key] * 1e3:9.2f} ms  = {m[key] / m['max_s']:6.1f} x np.max")
    targets = (
        (f"decode stage: {of_max:.1f} x np.max (at most {MOST_TIMES_MAX:.0f})", of_max <= MOST_TIMES_MAX),
        (f"plain script: {of_plain:.1f} x as long (at least {LEAST_TIMES_PLAIN:.0f})", of_plain >= LEAST_TIMES_PLAIN),
        (f"peak extra memory: {of_bytes:.2f} x the array (at most {MOST_BYTES:.0f})", of_bytes <= MOST_BYTES),
    )
    for line, met in targets:
        print(line + ("" if met else "  missed"))
    print(f"peak extra memory of the plain script: {m['plain_peak_extra_bytes'] / m['array_bytes']:.1f} x the array")
    print(f"first run, nothing compiled: {m['first_run_s']:.2f} s  (edges only, int16 and float64)")
    return 0 if all(met for _, met in targets) else 1


if __name__ == "__main__":
    sys.exit(main())
