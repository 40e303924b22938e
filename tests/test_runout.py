"""What wheels and sensors add, told from the edges: on wheels of known error, and against a reference library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from tightside.timing.runout import EdgeMeans, _alike, _least_squares, offsets_from_edges


def edges_of(cams, rng, *, crank_deg=0.0, cam_deg=0.0, tooth_deg=0.0, delay_deg=0.0, offset_deg=0.0):
    """Edge means of so many cams with six edges each, and these errors drawn."""
    cam = np.repeat(np.arange(cams), 6)
    angle = np.concatenate([np.sort(rng.uniform(0.0, 720.0, 6)) for _ in range(cams)])
    rising = np.tile([True, False], 3 * cams)
    phase = rng.uniform(0.0, 2 * np.pi)
    y = offset_deg + crank_deg * np.cos(np.radians(angle) - phase) + tooth_deg * rng.standard_normal(len(angle))
    y = y + cam_deg * np.cos(np.radians(angle) / 2 - rng.uniform(0.0, 2 * np.pi, cams)[cam])
    y = y + delay_deg * rng.standard_normal((cams, 2))[cam, rising.astype(int)]
    return EdgeMeans(y, cam, angle, rising, np.full(len(y), 0.01), np.full(len(y), max(delay_deg, 0.03)))


def test_offset_of_true_wheels_is_their_mean():
    edges = edges_of(2, np.random.default_rng(1), offset_deg=17.0)
    mean, sd = offsets_from_edges(edges)
    assert mean == pytest.approx([17.0, 17.0], abs=1e-9)
    assert (sd < 0.06).all()


def test_crank_runout_seen_by_four_cams_is_taken_out():
    plain, better = [], []
    for seed in range(40):
        edges = edges_of(4, np.random.default_rng(seed), crank_deg=0.3, tooth_deg=0.02)
        mean, _ = offsets_from_edges(edges)
        plain.append(np.abs([edges.offset_deg[edges.cam == k].mean() for k in range(4)]).mean())
        better.append(np.abs(mean).mean())
    assert np.mean(better) < 0.5 * np.mean(plain)


@pytest.mark.parametrize(
    "errors",
    [
        {"crank_deg": 0.1, "cam_deg": 0.08, "tooth_deg": 0.04},
        {"crank_deg": 0.02, "cam_deg": 0.02, "tooth_deg": 0.02, "delay_deg": 0.1},
        {"crank_deg": 0.25, "tooth_deg": 0.15},
    ],
    ids=["usual", "slow sensors", "rough"],
)
def test_interval_covers_on_wheels_of_many_kinds(errors):
    inside = []
    for seed in range(300):
        mean, sd = offsets_from_edges(edges_of(2, np.random.default_rng([seed, 7]), **errors))
        inside += (np.abs(mean) <= 1.96 * sd).tolist()
    assert 0.91 <= np.mean(inside) <= 0.995


def test_likelihood_is_that_of_a_normal_with_the_offsets_integrated_out():
    # REML differs from the density at the least-squares offsets by half the log determinant of their precision
    edges = edges_of(2, np.random.default_rng(3), crank_deg=0.1, tooth_deg=0.05, offset_deg=3.0)
    crank, cam, delay = _alike(edges)
    sizes = (0.05, 0.02, 0.03)
    log_like, mean, variance = _least_squares(edges, (crank, cam, delay), sizes)
    covariance = sizes[0] ** 2 * crank + sizes[1] ** 2 * cam + delay + np.diag(edges.sd_deg**2 + sizes[2] ** 2)
    design = (edges.cam[:, None] == np.arange(2)).astype(float)
    precision = design.T @ np.linalg.inv(covariance) @ design
    density = multivariate_normal(design @ mean, covariance).logpdf(edges.offset_deg)
    constant = 0.5 * len(edges.cam) * np.log(2 * np.pi)
    assert log_like == pytest.approx(density + constant - 0.5 * np.linalg.slogdet(precision)[1], abs=1e-8)
    assert variance == pytest.approx(np.diag(np.linalg.inv(precision)), rel=1e-9)
