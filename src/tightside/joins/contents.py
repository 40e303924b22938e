"""What the signals of a recording show, as parts of the result."""

from __future__ import annotations

import numpy as np

from tightside.diagnosis import CamSeen, CamVerdict, CrankPart, RecordingPart
from tightside.report.contents import recording_part
from tightside.signals.clock import rpm_of
from tightside.signals.decode import Decoded
from tightside.timing.learn import seen_angles


def recording_seen(decoded: Decoded) -> RecordingPart:
    """The recording: its channels, its speed, and what is wrong with it."""
    rpm = rpm_of(decoded.clock) if decoded.clock is not None and turn_known(decoded) else np.empty(0)
    return recording_part(decoded.recording, rpm, (*decoded.notes, *decoded.faults))


def crank_seen(decoded: Decoded) -> CrankPart | None:
    """The crank wheel as it was read or learned; None without one."""
    wheel, track = decoded.wheel, decoded.track
    if decoded.crank_column is None or wheel is None or track is None:
        return None
    turns = sum(float(np.ptp(track.turn_deg[track.segment == s])) for s in np.unique(track.segment)) / 360.0
    learned, known = decoded.learned, turn_known(decoded)
    return CrankPart(
        column=decoded.crank_column,
        wheel=wheel.name if known else None,
        pulses_per_revolution=wheel.pulses_per_revolution if known else None,
        learned=wheel.learned,
        turn_certain=learned is None or learned.turn_certain,
        pulses_per_repeat=len(learned.shape.gaps) if learned is not None else None,
        could_be=learned.could_be if learned is not None and not learned.turn_certain else (),
        revolutions=round(turns, 2) if known else None,
        faults=decoded.faults,
        missed_pulses=track.missed,
        extra_pulses=track.extra,
    )


def turn_known(decoded: Decoded) -> bool:
    """Whether it is known what a turn is: a learned pattern can be one of several parts of it."""
    return decoded.learned is None or decoded.learned.turns.likely


def cams_seen(decoded: Decoded) -> tuple[CamSeen, ...]:
    """Each cam sensor's edges over the cycle, before any reference."""
    out = []
    for edges, cycle in zip(decoded.cams, decoded.cycles, strict=True):
        angles, rising, _ = seen_angles(edges)
        watched = float(np.ptp(edges.angle_deg)) / 720.0 if len(edges.angle_deg) else 0.0
        pulses = int(max(rising.sum(), (~rising).sum())) if len(rising) else (cycle[1] if cycle else 0)
        out.append(
            CamSeen(
                cam=edges.cam,
                column=edges.column,
                edges_per_cycle=len(angles),
                pulses_per_cycle=pulses,
                cycles=int(watched),
                edge_angles_deg=tuple(float(a) for a in angles),
            )
        )
    return tuple(out)


def with_seen(judged: tuple[CamVerdict, ...], decoded: Decoded) -> tuple[CamVerdict | CamSeen, ...]:
    """The cams that were compared, and what is seen of the others."""
    done = {c.column for c in judged}
    return (*judged, *(c for c in cams_seen(decoded) if c.column not in done))
