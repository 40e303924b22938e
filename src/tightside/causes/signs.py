"""Things that are there or not: how probable each is under every hypothesis."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from tightside.causes.hypotheses import Hypotheses, concerns
from tightside.causes.numbers import SIGNS
from tightside.records import Floats


@dataclass(frozen=True, eq=False)
class Finding:
    """A piece of evidence: what is said of it, and its log-likelihood under every hypothesis."""

    name: str  # "code_correlation:1A"
    text: str
    log_likelihood: Floats  # (H,)
    source: str = ""  # "code", "recording", "log", "observation"


@lru_cache(maxsize=1024)
def chance(name: str, place: str, hypotheses: Hypotheses) -> Floats:
    """P(sign is there | hypothesis), (H,): a noisy-OR over the faults that concern its place.

    ``1 - (1 - leak) * product over the faults present of (1 - p)``. Source: Pearl, Probabilistic Reasoning in
    Intelligent Systems (1988), section 4.3.2, from memory; checked against a library in
    ``tests/test_causes_network.py``.
    """
    sign = SIGNS[name]
    hold = np.array([np.log1p(-sign.brings.get(f.kind, 0.0)) if concerns(f, place) else 0.0 for f in hypotheses.faults])
    return np.asarray(1.0 - (1.0 - sign.leak) * np.exp(hypotheses.there @ hold))


def sign_finding(
    name: str, place: str, seen: bool | float, hypotheses: Hypotheses, *, source: str, text: str = ""
) -> Finding:
    """A sign as evidence.

    Parameters
    ----------
    seen : whether it is there; or, where a measured value only suggests it, how many times more probable that value is
        when it is there than when it is not (1: says nothing).
    text : said in place of the table's words
    """
    sign = SIGNS[name]
    there = chance(name, place, hypotheses)
    if isinstance(seen, bool):
        likelihood = there if seen else (1.0 - there) ** sign.unless
    else:
        likelihood = there * seen + (1.0 - there)
    leaning = seen if isinstance(seen, bool) else seen > 1.0
    said = text or (sign.yes if leaning else sign.no).format(at=place_words(place))
    return Finding(f"{name}:{place}" if place else name, said, np.log(likelihood), source)


def place_words(place: str) -> str:
    """ "bank 1" or "1A"."""
    return f"bank {place}" if place.isdigit() else place or "the engine"


def lognormal_ratio(value: float, there: tuple[float, float], absent: tuple[float, float]) -> float:
    """How many times more probable a value is when a sign is there, each side log-normal (median, sd of logarithm)."""
    (m1, s1), (m0, s0) = there, absent
    z1, z0 = np.log(value / m1) / s1, np.log(value / m0) / s0
    return float(np.exp(np.clip(0.5 * (z0**2 - z1**2), -4.0, 4.0)) * s0 / s1)


def edge_ratio(value: float, edge: tuple[float, float]) -> float:
    """The same for a value that is the likelier the further it lies above an edge (value at even odds, width)."""
    return float(np.exp(np.clip((value - edge[0]) / edge[1], -4.0, 4.0)))
