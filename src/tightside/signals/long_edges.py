"""Edges of a recording that is too long to be looked at as a whole: window by window.

What is kept of a window are its edges; blocks, swings and averages, which grow with the samples, go with it. Windows
overlap, so that no edge is found beside the end of one; each edge is taken from the window in whose inner part it
stands. Whether the sensor is a Hall switch or a coil, the first window that shows a pattern says for all.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

import numpy as np

from tightside.records import Channel, EdgeTrain, SensorKind, Trace
from tightside.signals.edges import find_edges

WINDOW = 1 << 26  # samples
OVERLAP = 1 << 20  # on each side: many teeth at any pace that a recorder is set to


def find_all_edges(channel: Channel, *, kind: SensorKind | None = None) -> EdgeTrain:
    """`find_edges`, in memory that grows with the edges only."""
    trace = channel.data
    if not isinstance(trace, Trace) or len(trace.raw) <= WINDOW + 2 * OVERLAP:
        return find_edges(channel, kind=kind)
    parts = []
    for begin, end in _windows(len(trace.raw)):
        first, last = max(begin - OVERLAP, 0), min(end + OVERLAP, len(trace.raw))
        start_s = trace.start_s + first / trace.rate_hz
        part = find_edges(replace(channel, data=replace(trace, raw=trace.raw[first:last], start_s=start_s)), kind=kind)
        kind = kind or (part.kind if part.quality in ("good", "clipped") and part.kind != "logic" else None)
        parts.append(_inner(part, trace, begin, end))
    return _joined(parts, trace)


def _windows(samples: int) -> Iterator[tuple[int, int]]:
    """Equal parts, none longer than `WINDOW`."""
    cuts = np.linspace(0, samples, -(-samples // WINDOW) + 1).astype(np.int64).tolist()
    yield from pairwise(cuts)


def _inner(part: EdgeTrain, trace: Trace, begin: int, end: int) -> EdgeTrain:
    from_s, to_s = (trace.start_s + i / trace.rate_hz for i in (begin, end))
    keep = (part.times_s >= from_s) & (part.times_s < to_s)
    return replace(part, times_s=part.times_s[keep], rising=part.rising[keep])


def _joined(parts: list[EdgeTrain], trace: Trace) -> EdgeTrain:
    """One train; its levels and errors are those of a typical window with edges, its notes those of all."""
    with_edges = [p for p in parts if len(p.times_s)] or parts[:1]
    qualities = [p.quality for p in with_edges]
    return replace(
        with_edges[0],
        times_s=np.concatenate([p.times_s for p in parts]),
        rising=np.concatenate([p.rising for p in parts]),
        quality="clipped" if "clipped" in qualities else qualities[0],
        start_s=trace.start_s,
        end_s=trace.start_s + trace.duration_s,
        timing_sd_s=float(np.median([p.timing_sd_s for p in with_edges])),
        transition_s=float(np.median([p.transition_s for p in with_edges])),
        low=float(np.median([p.low for p in with_edges])),
        high=float(np.median([p.high for p in with_edges])),
        notes=_notes([note for p in with_edges for note in p.notes]),
    )


def _notes(notes: list[str]) -> tuple[str, ...]:
    """Each kind of note once; its numbers are those of the first window that has it."""
    first: dict[str, str] = {}
    for note in notes:
        alike = re.sub(r"\d+(\.\d+)?", "#", note)
        told = first.setdefault(alike, note)
        if told != note and not told.endswith("; more later"):
            first[alike] = f"{told}; more later"
    return tuple(first.values())
