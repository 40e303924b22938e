"""Take chatter and needle pulses out of an edge train: changes far shorter than the signal's own around them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tightside.records import Bools, EdgeTrain, Floats

NEEDLE = 0.03  # of the usual time between changes around it: shorter cannot be a tooth or a window
AROUND = 21
ALL_SO = 0.8


def without_chatter(train: EdgeTrain) -> EdgeTrain:
    """The train with each burst of needle-short changes replaced by its net effect.

    An even burst (a spike) goes without trace; an odd one (a slow edge that rattled) leaves one change at its middle,
    in the direction of its first.

    Examples
    --------
    Changes at 0, 10, 20, 20.1, 20.2, 30, 40, 44, 44.1, 50, 60 (ms) become 0, 10, 20.1, 30, 40, 50, 60.
    """
    t = train.times_s
    if len(t) < 5:
        return train
    gap = np.diff(t)
    if gap.min() >= NEEDLE * gap.max():
        return train
    short = gap < NEEDLE * _usual(gap)
    for state in (True, False):  # where nearly every pulse of one level is that short, the wheel is made so
        mine = train.rising[:-1] == state
        if short[mine].mean() > ALL_SO:
            short[mine] = False
    if not short.any():
        return train
    keep, up = np.ones(len(t), dtype=np.bool_), train.rising.copy()
    for first, last in _runs(short):
        keep[first : last + 2] = False
        if (last - first) % 2 == 1:  # odd number of changes
            middle = (first + last + 1) // 2
            keep[middle], up[middle] = True, up[first]
    times, rising = t[keep], up[keep]
    same = np.concatenate(([False], rising[1:] == rising[:-1]))[: len(times)]  # a lost partner: keep the first
    times, rising = times[~same], rising[~same]
    note = f"{len(t) - len(times)} changes too short to be the wheel's were passed over"
    return replace(train, times_s=times, rising=rising, notes=(*train.notes, note))


def _usual(gap: Floats) -> Floats:
    """Running median of the gaps; a needle among them does not move it."""
    width = min(AROUND, len(gap) - 1 + len(gap) % 2)
    padded = np.pad(gap, width // 2, mode="reflect" if len(gap) > width // 2 else "edge")
    out: Floats = np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
    return out


def _runs(mask: Bools) -> list[tuple[int, int]]:
    """First and last index of each run of True."""
    edge = np.diff(np.concatenate(([0], mask.astype(np.int8), [0])))
    return list(zip(np.flatnonzero(edge == 1).tolist(), (np.flatnonzero(edge == -1) - 1).tolist(), strict=True))
