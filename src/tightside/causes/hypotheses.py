"""Every set of faults that is weighed, and its probability before anything is known of the vehicle.

A hypothesis is a set of faults, each at its place: "bank 1 slipped and 2B's phaser loose". All sets of up to
``MOST_FAULTS`` faults are listed, so several faults at once are ordinary rows and inference is exact: a sum over a few
thousand rows. This is the cause network written out; ``tests/test_causes_network.py`` builds the same network node by
node for a library of Bayesian networks and finds the same probabilities.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from typing import NamedTuple

import numpy as np

from tightside.causes.numbers import FAULTS, MOST_FAULTS, RAISES
from tightside.records import Bools, CauseName, Floats, Ints

CAUSES: tuple[CauseName, ...] = (
    "in_time",
    "chain_slipped",
    "chain_worn",
    "phaser_loose",
    "phaser_stuck",
    "oil_control",
    "cam_signal",
    "crank_signal",
    "drive_broken",
    "wrong_reference",
)


class Fault(NamedTuple):
    """A kind of fault at a place: "" is the engine, "1" a bank, "1A" a camshaft."""

    kind: str
    place: str


@dataclass(frozen=True, slots=True)
class Layout:
    """Which camshafts there are, and which of them have a phaser."""

    cams: tuple[str, ...]
    phased: tuple[str, ...]

    @property
    def banks(self) -> tuple[str, ...]:
        """Banks in the order of their cams."""
        return tuple(dict.fromkeys(bank_of(cam) for cam in self.cams))

    def places(self, scope: str) -> tuple[str, ...]:
        """Every place of a scope."""
        return {"engine": ("",), "bank": self.banks, "cam": self.cams}[scope]


def bank_of(cam: str) -> str:
    """Bank of a camshaft named by bank and letter; any other name is a bank of its own."""
    return cam[:-1] if len(cam) > 1 and cam[:-1].isdigit() else cam


def concerns(fault: Fault, place: str) -> bool:
    """Whether a fault can bring about something at a place: its own, one that holds it, or one that it holds.

    Examples
    --------
    ("chain_slipped", "1") concerns "1A" and "", but not "2A".
    """
    if fault.place in ("", place) or place == "":
        return True
    return bank_of(place) == fault.place or (bank_of(fault.place) == place and place != fault.place)


@dataclass(frozen=True, eq=False)
class Hypotheses:
    """All sets of faults of one layout: H rows, F faults."""

    layout: Layout
    faults: tuple[Fault, ...]
    present: Bools  # (H, F)
    there: Floats  # (H, F) the same as 0 and 1
    log_prior: Floats  # (H,) sums to one as probabilities
    main: dict[str, Ints]  # cam to (H,), index into CAUSES of what its entry names

    def column(self, kind: str, place: str) -> Bools:
        """(H,) whether a fault is there; False where the layout has no such fault."""
        at = self.faults.index(fault) if (fault := Fault(kind, place)) in self.faults else None
        return np.asarray(self.present[:, at]) if at is not None else np.zeros(len(self.present), dtype=np.bool_)


def possible_faults(layout: Layout) -> tuple[Fault, ...]:
    """Every fault that the layout can have, what must be mended first before the rest.

    The only camshaft of a bank has no drive apart from the bank's.
    """
    banks = [bank_of(cam) for cam in layout.cams]
    return tuple(
        Fault(kind, place)
        for kind, what in FAULTS.items()
        for place in layout.places(what.scope)
        if (not what.phaser or place in layout.phased)
        and not (kind in ("cam_slipped", "cam_drive_broken") and banks.count(bank_of(place)) == 1)
    )


def odds_of(fault: Fault, others: tuple[Fault, ...]) -> tuple[float, tuple[tuple[Fault, float], ...]]:
    """Prior odds of a fault when it stands alone, and what multiplies them: ((fault, factor), ...)."""
    prior = FAULTS[fault.kind].prior
    raised = tuple(
        (other, RAISES[other.kind, fault.kind])
        for other in others
        if (other.kind, fault.kind) in RAISES and concerns(other, fault.place)
    )
    return prior / (1.0 - prior), raised


@lru_cache(maxsize=16)
def hypotheses_for(layout: Layout) -> Hypotheses:
    """Every set of up to ``MOST_FAULTS`` faults, with its probability given that no more are there."""
    faults = possible_faults(layout)
    sets = [s for n in range(MOST_FAULTS + 1) for s in combinations(range(len(faults)), n)]
    present = np.zeros((len(sets), len(faults)), dtype=np.bool_)
    for row, members in enumerate(sets):
        present[row, list(members)] = True
    present = present[~_impossible(present, faults)]
    log_prior = _log_prior(present, faults)
    log_prior -= np.log(np.exp(log_prior).sum())
    main = {cam: _main_cause(cam, present, faults, layout) for cam in layout.cams}
    return Hypotheses(layout, faults, present, present.astype(np.float64), log_prior, main)


def _impossible(present: Bools, faults: tuple[Fault, ...]) -> Bools:
    """One phaser cannot be loose and stuck at once."""
    out = np.zeros(len(present), dtype=np.bool_)
    for cam in {f.place for f in faults if f.kind == "phaser_loose"}:
        loose, stuck = faults.index(Fault("phaser_loose", cam)), faults.index(Fault("phaser_stuck", cam))
        out |= present[:, loose] & present[:, stuck]
    return out


def _log_prior(present: Bools, faults: tuple[Fault, ...]) -> Floats:
    total = np.zeros(len(present))
    for i, fault in enumerate(faults):
        odds, raised = odds_of(fault, faults)
        there = np.full(len(present), odds)
        for other, factor in raised:
            there = np.where(present[:, faults.index(other)], there * factor, there)
        total += np.where(present[:, i], np.log(there / (1.0 + there)), -np.log1p(there))
    return total


def _main_cause(cam: str, present: Bools, faults: tuple[Fault, ...], layout: Layout) -> Ints:
    """The fault that a cam's entry names: the one that must be mended first, of those that concern it."""
    out = np.zeros(len(present), dtype=np.int64)
    for i in reversed(range(len(faults))):  # later kinds first, so that earlier ones overwrite them
        fault = faults[i]
        if fault.place not in ("", bank_of(cam), cam):
            continue
        if fault.kind == "oil_low" and cam not in layout.phased:
            continue  # oil moves a cam by its phaser only
        out[present[:, i]] = CAUSES.index(FAULTS[fault.kind].cause)
    return out
