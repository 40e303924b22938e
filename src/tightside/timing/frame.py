"""The frame in which offsets are read: which place of a repeating wheel, and which way up the signals are.

Neither shows in the edges alone where a wheel repeats or one edge of each pulse is listed. Offsets are first measured
in the likeliest frame; what the cams together then say may move them to another, or leave two open.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from tightside.records import CycleOffsets
from tightside.timing.offset import summarise
from tightside.timing.teeth import TeethBelief

EITHER_WAY = 0.05  # chance from which the other way up must be counted in
PUT_RIGHT = 0.8  # chance from which the crank signal is taken to be upside down
Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Frame:
    """What to take off every offset, and by how much all of them might be off still."""

    shift_deg: float = 0.0
    crank_turned: bool = False
    open_deg: tuple[float, ...] = ()  # ways up of the crank signal that the cams leave open ...
    places_deg: tuple[float, ...] = ()  # ... and other places of a wheel that repeats, from this one

    def seen(self, offsets: CycleOffsets, belief: TeethBelief | None) -> CycleOffsets:
        """The offsets in this frame, with the cam's signal the way up that explains it best."""
        if belief is not None and belief.turned > 0.5 and offsets.turned is not None:
            offsets = replace(offsets.turned, turned=replace(offsets, turned=None))
        return _moved(offsets, self.shift_deg) if self.shift_deg else offsets

    def widened(self, interval: Interval, offsets: CycleOffsets, belief: TeethBelief | None) -> Interval:
        """The interval that holds the offset whichever way up the signals are."""
        ends = [interval]
        if offsets.turned is not None and _is_open(belief):
            ends.append(summarise(offsets.turned)[1])
        ends += [(interval[0] - d, interval[1] - d) for d in (*self.open_deg, *self.places_deg)]
        return min(low for low, _ in ends), max(high for _, high in ends)

    def notes(self, offsets: CycleOffsets, belief: TeethBelief | None) -> tuple[str, ...]:
        """What was taken for granted, in words."""
        found = []
        if self.crank_turned:
            found.append(
                "all cams stand off by just a tooth's width of the crank wheel: its signal was taken to be upside down"
            )
        if self.places_deg:
            found.append("the crank wheel repeats, and these cams do not tell which of its places this is")
        if self.open_deg:
            found.append("the crank signal may be upside down: the interval holds both readings")
        if offsets.turned is not None and _is_open(belief):
            found.append(
                "the engine file lists one edge of each pulse only: the signal may be upside down and the other edge "
                "the one meant"
            )
        return tuple(found)


AS_READ = Frame()


def frame_of(belief: TeethBelief, repeat_deg: float, crank_turned_deg: tuple[float, ...]) -> Frame:
    """The frame that the beliefs about the crank reference, which all cams share, speak for."""
    for probability, at in zip(belief.crank_turned, crank_turned_deg, strict=True):
        if probability > PUT_RIGHT:
            sure = probability > 1.0 - EITHER_WAY
            return Frame(shift_deg=at, crank_turned=True, open_deg=() if sure else (-at,))
    maybe = tuple(
        at for probability, at in zip(belief.crank_turned, crank_turned_deg, strict=True) if probability > EITHER_WAY
    )
    here = repeat_deg * round(belief.reference_deg / repeat_deg)
    elsewhere = tuple(at - here for at, probability in belief.places if probability > EITHER_WAY and at != here)
    return Frame(shift_deg=here, open_deg=maybe, places_deg=elsewhere)


def _is_open(belief: TeethBelief | None) -> bool:
    return belief is not None and EITHER_WAY < belief.turned < 1.0 - EITHER_WAY


def _moved(offsets: CycleOffsets, by_deg: float) -> CycleOffsets:
    return replace(
        offsets,
        offset_deg=offsets.offset_deg - by_deg,
        edge_offset_deg=offsets.edge_offset_deg - by_deg,
        edge_angles_deg=offsets.edge_angles_deg - by_deg,
        turned=_moved(offsets.turned, by_deg) if offsets.turned is not None else None,
    )
