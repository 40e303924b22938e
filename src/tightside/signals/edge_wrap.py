"""Converters that clip, and converters whose readings re-appear at the other end of the range."""

from __future__ import annotations

from typing import Any

from numpy.typing import NDArray

from tightside.signals.extrema import BlockExtrema


def unwrapped(x: NDArray[Any], extrema: BlockExtrema) -> tuple[NDArray[Any], BlockExtrema, bool, list[str]]:
    return x, extrema, False, []
