"""Compression and contribution of all cylinders put together, in words where the numbers carry them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from tightside.cylinders.compression import Compressions
from tightside.cylinders.contribution import FLOOR_SD, SCALE_SD, Contributions
from tightside.cylinders.sealing import LIMITS, Limits
from tightside.records import CylinderFinding, CylindersFinding, Floats

EXPLAINED = 0.9  # share of the swing that compression must explain before it is believed
PULL_EXPLAINED = 0.8
WEAK, DEAD = 0.85, 0.3  # of the better half's work; common practice, no source
UNSURE_PULL = 0.15
TREND = 0.1  # of a cylinder's compression over the recording

Pulls = Literal["good", "weak", "none", "unknown"]


def put_together(
    order: Sequence[int],
    compression: Compressions | None,
    contribution: Contributions | None,
    sources: tuple[str, str],
    sync: str,
    limits: Limits = LIMITS,
) -> CylindersFinding:
    """The finding on all cylinders.

    Parameters
    ----------
    order : cylinders in firing order.
    sources : what compression and contribution were read from.
    sync : what names the cylinders; "" where nothing does: they then have a place in the order and no number.
    """
    notes: list[str] = []
    if not sync:
        notes.append("nothing in the recording tells which cylinder is which: only the order is known")
    believed = compression
    if compression is not None and compression.explained < EXPLAINED:
        share = f"{100 * compression.explained:.0f} %"
        notes.append(f"compression explains only {share} of the swing of the {sources[0]}: no value is given")
        believed = None
    pulling = contribution
    if contribution is not None and contribution.explained < PULL_EXPLAINED:
        notes.append("the crank's speed does not follow the firing order well enough: no contribution is given")
        pulling = None
    if believed is not None:
        notes += _said_of_cycles(believed, order, bool(sync))
    cylinders = tuple(_one(k, number if sync else None, believed, pulling, limits) for k, number in enumerate(order))
    highest = float(believed.relative.max()) if believed is not None else 0.0
    return CylindersFinding(
        cylinders=cylinders,
        compression_from=sources[0] if believed is not None else "",
        contribution_from=sources[1] if pulling is not None else "",
        sync=sync,
        cycles=max(len(found.each) for found in (compression, contribution) if found is not None),
        spread=1.0 - float(believed.relative.min()) / highest if believed is not None else None,
        notes=tuple(notes),
    )


def _one(
    k: int, number: int | None, compression: Compressions | None, contribution: Contributions | None, limits: Limits
) -> CylinderFinding:
    seals = (float(compression.relative[k]), float(compression.sd[k])) if compression is not None else None
    pulls = (float(contribution.share[k]), float(contribution.sd[k])) if contribution is not None else None
    return CylinderFinding(
        place=k + 1,
        cylinder=number,
        relative_compression=seals,
        contribution=pulls,
        sealing=limits.judge(*seals) if seals is not None else "unknown",
        pulls=_pulls(*pulls) if pulls is not None else "unknown",
        cycle_compression=_plain(compression.each[:, k]) if compression is not None else (),
        cycle_contribution=_plain(contribution.each[:, k]) if contribution is not None else (),
    )


def _plain(values: Floats) -> tuple[float, ...]:
    return tuple(float(v) for v in values)


def _pulls(value: float, sd: float) -> Pulls:
    # that a cylinder falls behind is surer than by how much
    sd = float(np.sqrt(max(sd**2 - (SCALE_SD * (value - 1.0)) ** 2, FLOOR_SD**2)))
    most = value + LIMITS.sure * sd
    if most < WEAK:
        return "none" if most < DEAD else "weak"
    return "unknown" if sd > UNSURE_PULL else "good"


def _said_of_cycles(found: Compressions, order: Sequence[int], named: bool) -> list[str]:
    """Trends over the recording, and single cycles that fall out of line."""
    said = []
    for k, number in enumerate(order):
        each = found.each[:, k]
        name = f"cylinder {number}" if named else f"place {k + 1} in the order"
        if len(each) >= 6:
            slope, level = np.polyfit(np.linspace(-0.5, 0.5, len(each)), each, 1)
            if abs(slope) > TREND * level and abs(slope) > 4.0 * np.std(
                each - slope * np.linspace(-0.5, 0.5, len(each)) - level
            ):
                said.append(f"{name} {'gains' if slope > 0 else 'loses'} compression over the recording")
        odd = np.abs(each - np.median(each)) > 0.15
        if 0 < odd.sum() <= len(each) // 3 and len(each) >= 4:
            said.append(f"{name}: {int(odd.sum())} of {len(each)} compressions differ from the rest")
    return said
