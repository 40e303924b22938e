"""Sensor recordings of real machines, where they lie beside the checkout: what ``describe`` finds in each.

What is expected was found from the edge times alone, by other means than this program's.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from conftest import recordings_folder
from tightside import pipeline
from tightside.diagnosis import Diagnosis

pytestmark = [
    pytest.mark.recordings,
    pytest.mark.skipif(not recordings_folder().is_dir(), reason=f"no recordings in {recordings_folder()}"),
]

WHEELS = {
    "real-a": ("36-2", 34),
    "real-b": ("uneven 4", 4),
    "real-c": ("36-2-2-2", 30),
    "real-d": ("12+1", 13),
    "real-e": ("36-2", 34),
    "real-f": ("60-2", 58),
}
TURNS = {"real-a": 22.0, "real-b": 89.0, "real-c": 9.6, "real-d": 9.5, "real-e": 7.9, "real-f": 41.0}
MEDIAN_RPM = {
    "real-a": (1512.0, 1608.0),
    "real-b": (825.0, 1082.0),
    "real-c": (226.0, 242.0),
    "real-d": (177.0, 187.0),
    "real-e": (299.0, 332.0),
    "real-f": (141.0, 644.0),
}
CAM_PULSES = {"real-a": [3], "real-b": [3], "real-c": [6, 6], "real-d": [], "real-e": [], "real-f": []}
# edges of a cycle in degrees of crank; only their differences mean anything
CAM_EDGES_DEG = {
    ("real-a", 0): (33.2, 80.9, 273.1, 320.4, 514.7, 560.9),
    ("real-c", 0): (98.3, 120.6, 141.5, 160.7, 183.8, 240.4, 260.8, 280.3, 302.9, 480.6, 698.4, 719.9),
    ("real-c", 1): (120.4, 340.2, 360.5, 460.6, 481.5, 502.9, 521.5, 546.5, 600.7, 621.2, 640.3, 664.6),
}


@pytest.fixture(scope="module", params=WHEELS)
def described(request) -> tuple[str, Diagnosis]:
    return request.param, pipeline.describe([recordings_folder() / f"{request.param}.csv"])


def test_describe_finds_the_wheel(described):
    name, found = described
    assert found.crank is not None
    assert (found.crank.wheel, found.crank.pulses_per_revolution) == WHEELS[name]
    assert found.crank.faults == ()


def test_describe_follows_every_turn(described):
    name, found = described
    assert found.crank.revolutions == pytest.approx(TURNS[name], abs=0.6)


def test_describe_finds_the_speed(described):
    name, found = described
    least, most = MEDIAN_RPM[name]
    assert least <= found.recordings[0].rpm.median <= most


def test_describe_counts_the_cams_pulses(described):
    name, found = described
    assert [cam.pulses_per_cycle for cam in found.cams] == CAM_PULSES[name]


def turned_alike(found_deg: np.ndarray, expected_deg: np.ndarray) -> np.ndarray:
    """Both sets of intervals, the found ones begun at the edge that makes them fit best."""
    expected = np.diff(np.append(expected_deg, expected_deg[0] + 720.0))
    found = np.diff(np.append(found_deg, found_deg[0] + 720.0))
    turns = [np.roll(found, k) for k in range(len(found))]
    return min((t - expected for t in turns), key=lambda off: np.abs(off).max())


@pytest.mark.parametrize(("name", "which"), CAM_EDGES_DEG)
def test_describe_measures_the_intervals_between_cam_edges(name, which):
    cam = pipeline.describe([recordings_folder() / f"{name}.csv"]).cams[which]
    expected = np.array(CAM_EDGES_DEG[name, which])
    assert len(cam.edge_angles_deg) == len(expected)
    assert all(b > a for a, b in pairwise(cam.edge_angles_deg))
    assert np.abs(turned_alike(np.array(cam.edge_angles_deg), expected)).max() <= 0.5
