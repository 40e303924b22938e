"""Which cylinder it is: told by a cam, a pressure or an ignition channel, and by nothing else."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tightside.records import Channel, Recording, Trace

sys.path.insert(0, str(Path(__file__).parent.parent / "benchmarks"))

from cylinders import Scene, engine_of, examined, recorded

LEAKS = 3
ALSO = ("starter_current", "cylinder_pressure:2")


@pytest.fixture(scope="module")
def scene() -> Scene:
    return Scene(engine_of("demo-v6"), (f"leak:{LEAKS}=0.65",), "cranking", 4.0, 200.0, ALSO)


@pytest.fixture(scope="module")
def whole(scene: Scene) -> Recording:
    return recorded(scene, np.random.default_rng(8400))


def kept(whole: Recording, *heads: str) -> Recording:
    return replace(whole, channels=tuple(c for c in whole.channels if (c.role or "").split(":")[0] in heads))


def with_ignition(recording: Recording, whole: Recording) -> Recording:
    """A coil's spikes of cylinder 2, ten degrees before each of its tops, by that cylinder's own pressure."""
    pressure = whole.with_role("cylinder_pressure:2")
    assert pressure is not None and isinstance(pressure.data, Trace)
    p, rate = pressure.data.values(), pressure.data.rate_hz
    volts = np.zeros(len(p), np.float32)
    high = np.flatnonzero((p[1:-1] >= p[:-2]) & (p[1:-1] > p[2:]) & (p[1:-1] > 0.9 * p.max()))
    for group in np.split(high, np.flatnonzero(np.diff(high) > 3000) + 1):
        at = int(group.mean()) - round(0.008 * rate)
        volts[at : at + 40] = 60.0
    spark = Channel(column="spark", data=Trace(volts, rate), unit="V", role="sync:2", why="test")
    return replace(recording, channels=(*recording.channels, spark))


@pytest.mark.parametrize(
    ("heads", "sync"),
    [
        (("crank", "cam", "starter_current"), "cam sensor"),
        (("crank", "starter_current", "cylinder_pressure"), "cylinder pressure"),
    ],
)
def test_leak_is_named_by_what_tells_the_turns_apart(
    scene: Scene, whole: Recording, heads: tuple[str, ...], sync: str
) -> None:
    found = examined(scene, kept(whole, *heads)).cylinders
    assert found is not None and found.sync == sync and found.compression_from == "starter current"
    assert [c.cylinder for c in found.cylinders if c.sealing != "good"] == [LEAKS]


def test_ignition_of_one_cylinder_names_them_all(scene: Scene, whole: Recording) -> None:
    found = examined(scene, with_ignition(kept(whole, "crank", "starter_current"), whole)).cylinders
    assert found is not None and found.sync == "ignition"
    assert [c.cylinder for c in found.cylinders if c.sealing != "good"] == [LEAKS]


def test_crank_alone_names_no_cylinder(scene: Scene, whole: Recording) -> None:
    found = examined(scene, kept(whole, "crank", "starter_current"))
    assert found.cylinders is not None and found.cylinders.sync == ""
    assert all(c.cylinder is None for c in found.cylinders.cylinders)
    assert sum(c.sealing != "good" for c in found.cylinders.cylinders) == 1
    assert all(p.cylinder is None for p in found.diagnosis.cylinders or ())
