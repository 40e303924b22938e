"""Which channel is the crank and which are cams, from what the signals do.

A heading proposes, the signal decides: a column headed "crank" that shows no wheel is doubted aloud.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tightside.records import CamEdges, Channel, CrankClock, EdgeTrain, Recording
from tightside.signals.clock import angle_at
from tightside.signals.learn import Learned, cam_repeat, learn_wheel


@dataclass(frozen=True, slots=True)
class CrankChoice:
    """The crank channel and what its edges show."""

    channel: Channel
    learned: Learned | None
    why: str
    doubt: str = ""


def could_be_sensor(channel: Channel) -> bool:
    """Whether a channel's role, if it has one, leaves it open to be a crank or cam sensor."""
    return channel.role is None or channel.role == "crank" or channel.role.startswith("cam:")


def choose_crank(recording: Recording, trains: dict[str, EdgeTrain]) -> CrankChoice | None:
    """The channel that carries the crank wheel: the one named so, unless another shows a wheel and it does not."""
    candidates = [c for c in recording.channels if could_be_sensor(c) and len(trains[c.column].times_s) >= 6]
    named = next((c for c in candidates if c.role == "crank"), None)
    if named is not None and named.by_hand:
        return CrankChoice(named, learn_wheel(trains[named.column]), "said by hand")
    if named is not None and all(c.role is not None for c in candidates):  # nobody there to doubt it
        return CrankChoice(named, learn_wheel(trains[named.column]), named.why)
    learned = {c.column: learn_wheel(trains[c.column]) for c in candidates}
    score = {column: _crankness(trains[column], wheel) for column, wheel in learned.items()}
    order = sorted(candidates, key=lambda c: -score[c.column])
    if named is not None:
        rival = order[0]
        if rival is not named and rival.role is None and score[rival.column] > 3.0 * max(score[named.column], 0.2):
            doubt = f'"{named.column}" is headed crank but shows no wheel; "{rival.column}" does'
            return CrankChoice(rival, learned[rival.column], "shows a wheel", doubt)
        return CrankChoice(named, learned[named.column], named.why)
    chosen = next((c for c in order if c.role is None), None)
    if chosen is None or score[chosen.column] <= 0.0:
        return None
    return CrankChoice(chosen, learned[chosen.column], "the most pulses, in a pattern that repeats")


def _crankness(train: EdgeTrain, learned: Learned | None) -> float:
    """How much an edge train looks like a crank wheel: many pulses, at intervals that repeat."""
    rises = int(train.rising.sum())
    if rises < 6:
        return 0.0
    fit = 1.0 / (1.0 + 4.0 * learned.misfit) if learned is not None else 0.1
    return float(rises**0.5 * fit)


def cam_edges(channel: Channel, train: EdgeTrain, clock: CrankClock, name: str) -> CamEdges:
    """A cam's edges on the crank clock; those where the clock does not run are left out."""
    angle, speed, segment = angle_at(clock, train.times_s)
    keep = np.isfinite(angle)
    return CamEdges(
        cam=name,
        column=channel.column,
        times_s=train.times_s[keep],
        angle_deg=angle[keep],
        rising=train.rising[keep],
        speed_deg_s=speed[keep],
        segment=segment[keep],
        timing_sd_s=train.timing_sd_s,
        transition_s=0.0 if train.kind == "vr" else train.transition_s,  # a coil's swing is no delay
        sharper=train.sharper,
    )


def cycle_of(edges: CamEdges, repeat_deg: float) -> tuple[int, int] | None:
    """After how many repeats of the crank pattern this cam's edges come again, and its pulses in that time."""
    longest = max(np.unique(edges.segment), key=lambda s: (edges.segment == s).sum(), default=None)
    if longest is None:
        return None
    found = []
    for up in (True, False):
        mine = (edges.rising == up) & (edges.segment == longest)
        got = cam_repeat(edges.angle_deg[mine], repeat_deg)
        if got is not None:
            found.append(got)
    return max(found, key=lambda f: f[1]) if found else None


def with_role(channel: Channel, role: str | None, why: str) -> Channel:
    """The channel with another role and the reason for it."""
    return replace(channel, role=role, why=why)
