"""How often a crank wheel's pattern comes in one turn: what the pattern says, and what the cams beside it say.

A wheel that repeats within a turn looks like one with fewer teeth on a faster engine. The pattern alone leaves that
open; so does a cam, where its own pattern repeats within a cycle. What is left is weighed by which wheels are built,
and what stays open is said to be.

Every weight below is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

Sort = Literal["even", "grid", "extra", "uneven"]

CERTAIN = 0.95  # probability from which the turn counts as known ...
LIKELY = 0.7  # ... and from which it is taken, with a remark
MOST_REPEATS = 120
BY_REPEATS = {1: 1.0, 2: 0.15, 3: 0.15, 4: 0.05}  # gapped wheels: mostly one gap a turn, or two to four alike
BY_POSITIONS = ((23, 0.2), (60, 1.0), (66, 0.05), (90, 0.01))  # up to so many positions; more are rarer still
UNEVEN_REPEATS = {1: 1.0, 2: 0.3, 3: 0.3, 4: 0.15}
EXTRA_REPEATS = {1: 1.0, 2: 0.02, 3: 0.01}
FEW_WITH_EXTRA = 10  # a pattern of fewer pulses can pass for an "N+1" by chance
FEW_EXTRA_REPEATS = {1: 1.0, 2: 0.1, 3: 0.05}
# a controller finds the cycle, or at least the turn, from crank and cams: their common repeat is seldom shorter
COMMON_REPEAT = {1: 0.96, 2: 0.035}  # cycle over common repeat
COMMON_REPEAT_LONE = {1: 0.78, 2: 0.13, 3: 0.02, 4: 0.06}  # all the cam shows in it is one pulse
SELDOM = 0.004


@dataclass(frozen=True, slots=True)
class Turns:
    """How often the pattern comes in one turn."""

    repeats: int  # the likeliest
    probability: float
    others: tuple[int, ...] = ()  # further ones that are worth a word, likeliest first

    @property
    def certain(self) -> bool:
        """Whether nothing else is worth a word."""
        return self.probability >= CERTAIN

    @property
    def likely(self) -> bool:
        """Whether it can be taken, with a remark."""
        return self.probability >= LIKELY


def common_repeat(cycles: Sequence[tuple[int, int] | None]) -> tuple[int, int] | None:
    """After how many repeats of the crank pattern all cams come again together, and the most pulses one shows in them.

    Examples
    --------
    [(2, 1), (6, 4)] -> (6, 4);  [None] -> None
    """
    known = [c for c in cycles if c is not None]
    if not known:
        return None
    common = int(np.lcm.reduce([c[0] for c in known]))
    return common, max(c[1] * (common // c[0]) if c[1] > 1 else 1 for c in known)


def infer_turns(sort: Sort, pulses: int, positions: float, cycles: Sequence[tuple[int, int] | None] = ()) -> Turns:
    """Weigh every number of repeats a turn.

    Parameters
    ----------
    sort : what sort of pattern it is
    pulses, positions : in one repeat; positions count the missing ones too
    cycles : per cam: after how many repeats of the crank pattern it comes again, and its pulses in that time

    Notes
    -----
    With k repeats a turn and a cam whose wheel maps onto itself s times a cycle, both come again together after
    R = 2k / g repeats, g = gcd(2k, s). So k = R g / 2 for some whole g, and k is at least R / 2.
    """
    together = common_repeat(cycles)
    k = np.arange(1, MOST_REPEATS + 1)
    weight = np.array([_built(sort, pulses, positions, int(n)) for n in k])
    if together is not None:
        common, shown = together
        table = COMMON_REPEAT if shown > 1 else COMMON_REPEAT_LONE
        weight = weight * [table.get(2 * int(n) // common, SELDOM) if (2 * int(n)) % common == 0 else 0.0 for n in k]
    if not weight.sum():
        return Turns(1, 0.0)
    share = weight / weight.sum()
    order = np.argsort(-share, kind="stable")
    others = tuple(int(k[i]) for i in order[1:5] if share[i] > 0.05 * share[order[0]] and share[i] > 0.01)
    return Turns(int(k[order[0]]), float(share[order[0]]), others)


def _built(sort: Sort, pulses: int, positions: float, repeats: int) -> float:
    """How common a wheel is whose pattern comes so often in a turn."""
    if sort == "even":
        return 1.0 if repeats >= 3 else 0.01
    if sort == "extra" and pulses < FEW_WITH_EXTRA:
        return FEW_EXTRA_REPEATS.get(repeats, 0.001)
    if sort == "uneven":
        return UNEVEN_REPEATS.get(repeats, 0.02 if pulses * repeats <= 24 else SELDOM)
    if sort == "extra":
        return EXTRA_REPEATS.get(repeats, 0.0001)
    total = positions * repeats
    common = next((share for most, share in BY_POSITIONS if total <= most), 0.002)
    return common * BY_REPEATS.get(repeats, 0.01)
