"""Which of a coil's two crossings is the steep one: it stands at the tooth, the other drifts between teeth.

Two things tell, and each only by a clear margin. At a tooth the voltage goes from peak to peak the same way however
far the next tooth is: so its crossing is the quicker one, and where teeth are missing it is the other one that lasts
longer. Where neither tells, or they contradict each other, it is left open.

Source: our derivation; ``tests/test_edges_coil.py`` shows it on simulated truth.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from tightside.records import Bools, Floats
from tightside.signals.edge_swings import Swings
from tightside.signals.edge_times import measure_transitions

Sharper = Literal["rising", "falling"] | None
NEAR_REST = 0.35  # of the peaks beside a crossing: the part of the way that is timed
_QUICKER = 0.1  # log of the ratio of the two times: 10 %
_SURE = 4.0  # standard errors
_LASTING = 0.35  # log: a swing that lasts 40 % longer than those before and after of its kind goes across a gap
_GAPS, _GAPS_SHARE = 4, 0.85  # as many, and that part of them of one polarity
_FEWEST = 6


def near_rest(x: NDArray[Any], swings: Swings, cross: Floats, rest: Floats) -> Floats:
    """How long each swing takes for the part of its way that is near rest; (E,) [samples], NaN where not reached.

    Parameters
    ----------
    x : the signal searched, and ``swings`` its turning points, (E + 1,)
    cross : (E,) crossings of ``rest``, NaN where unknown
    """
    part = NEAR_REST / 0.8
    before, after = swings.value[:-1] - rest, swings.value[1:] - rest
    known = np.isfinite(cross)
    lasts = measure_transitions(x, np.where(known, cross, 0.0), rest + part * before, rest + part * after)
    return np.where(known & (lasts > 0), lasts, np.nan)


def sharper_of(swings: Swings, lasts: Floats, rest: Floats, noise: float) -> Sharper:
    """The polarity of a coil's steep crossings, or None where the signal does not tell.

    Parameters
    ----------
    lasts : what ``near_rest`` gives
    noise : standard deviation of the signal
    """
    if len(lasts) < _FEWEST:
        return None
    rising = np.diff(swings.value) > 0
    reach = np.minimum(np.abs(swings.value[:-1] - rest), np.abs(swings.value[1:] - rest))
    log = np.log(np.where(reach * NEAR_REST > 3.0 * noise, lasts, np.nan))
    quicker = _clearly(_against_neighbours(log, 1) * np.where(rising[1:-1], -1.0, 1.0))
    found = {v for v in (quicker, _by_gaps(swings, rising)) if v}
    if len(found) != 1:
        return None
    return "rising" if found == {1} else "falling"


def _clearly(evidence: Floats) -> int:
    """Sign of the median, if it is large enough and certain."""
    evidence = evidence[np.isfinite(evidence)]
    if len(evidence) < _FEWEST - 2:
        return 0
    middle = float(np.median(evidence))
    error = 1.4826 * float(np.median(np.abs(evidence - middle))) * 1.2533 / np.sqrt(len(evidence) / 2)
    return int(np.sign(middle)) if abs(middle) > max(_QUICKER, _SURE * error) else 0


def _against_neighbours(values: Floats, away: int) -> Floats:
    """Each value less the mean of the two so far away."""
    return np.asarray(values[away:-away] - 0.5 * (values[: -2 * away] + values[2 * away :]))


def _by_gaps(swings: Swings, rising: Bools) -> int:
    """+1 where falling swings last longer across gaps, -1 where rising ones do, 0 where that is not clear."""
    lasts = np.log(np.maximum(np.diff(swings.at), 1).astype(float))
    longer = _against_neighbours(lasts, 2) > _LASTING
    up, down = np.count_nonzero(longer & rising[2:-2]), np.count_nonzero(longer & ~rising[2:-2])
    if max(up, down) < _GAPS or max(up, down) < _GAPS_SHARE * (up + down):
        return 0
    return -1 if up > down else 1
