"""What wheels and sensors add to where a cam seems to stand, told from the differences between its edges.

A crank wheel that runs out of true moves the edges of every cam by the same sine of the crank angle; a cam wheel that
does moves its own by a sine of the cam angle; a slow sensor moves one polarity; each tooth has an error of its own.
All of these are fixed from cycle to cycle, so more cycles do not help, but edges at several angles do: the model below
takes out what they show, and says what is left.

Source: generalised least squares with a covariance for each of these parts, the sizes averaged over by their restricted
likelihood (Harville, J. Am. Stat. Assoc. 72 (1977) 320, from memory). Sizes as built are common practice, no source.
``tests/test_runout.py`` shows it on known wheels, against ``scipy.stats.multivariate_normal``.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from tightside.records import Bools, Floats, Ints

#: standard deviations tried, and how usual each is [deg]
CRANK_SD_DEG = {0.015: 0.3, 0.05: 0.4, 0.12: 0.25, 0.3: 0.05}
CAM_SD_DEG = {0.015: 0.3, 0.05: 0.4, 0.12: 0.25, 0.3: 0.05}
TOOTH_SD_DEG = {0.01: 0.25, 0.03: 0.4, 0.07: 0.24, 0.2: 0.09, 0.7: 0.02}


@dataclass(frozen=True, slots=True)
class EdgeMeans:
    """Where each edge of every cam stands on average, against where it should."""

    offset_deg: Floats  # (E,)
    cam: Ints  # (E,) 0, 0, 0, 1, 1, ...
    angle_deg: Floats  # (E,) crank angle, in the frame of a cycle
    rising: Bools  # (E,)
    sd_deg: Floats  # (E,) random error of the mean, and of the clock there
    delay_sd_deg: Floats  # (E,) what one polarity of that sensor may be late by


def offsets_from_edges(edges: EdgeMeans) -> tuple[Floats, Floats]:
    """Offset of each cam with what wheels and sensors add taken out, and its standard deviation. [deg]

    Returns
    -------
    offset_deg, sd_deg : (cams,)
    """
    like, means, variances = [], [], []
    same = _alike(edges)
    for (crank, a), (cam, b), (tooth, c) in product(CRANK_SD_DEG.items(), CAM_SD_DEG.items(), TOOTH_SD_DEG.items()):
        log_like, mean, variance = _least_squares(edges, same, (crank, cam, tooth))
        like.append(log_like + np.log(a * b * c))
        means.append(mean)
        variances.append(variance)
    weight = np.exp(np.array(like) - max(like))
    weight /= weight.sum()
    mean = weight @ np.array(means)
    spread = weight @ (np.array(variances) + (np.array(means) - mean) ** 2)
    return mean, np.sqrt(spread)


def _alike(edges: EdgeMeans) -> tuple[Floats, Floats, Floats]:
    """(E, E) covariances of unit size: crank runout, cam runout; and the delays' as they are."""
    apart = np.radians(edges.angle_deg[:, None] - edges.angle_deg[None, :])
    same_cam = edges.cam[:, None] == edges.cam[None, :]
    same_way = same_cam & (edges.rising[:, None] == edges.rising[None, :])
    delay = np.where(same_way, edges.delay_sd_deg[:, None] * edges.delay_sd_deg[None, :], 0.0)
    return np.cos(apart), np.where(same_cam, np.cos(apart / 2.0), 0.0), delay


def _least_squares(
    edges: EdgeMeans, same: tuple[Floats, Floats, Floats], sizes: tuple[float, float, float]
) -> tuple[float, Floats, Floats]:
    """Restricted log likelihood, offsets and their variances, for given sizes of crank, cam and tooth errors."""
    crank_sd, cam_sd, tooth_sd = sizes
    covariance = crank_sd**2 * same[0] + cam_sd**2 * same[1] + same[2] + np.diag(edges.sd_deg**2 + tooth_sd**2)
    design = (edges.cam[:, None] == np.arange(edges.cam.max() + 1)[None, :]).astype(np.float64)
    root = np.linalg.cholesky(covariance)
    x, y = np.linalg.solve(root, design), np.linalg.solve(root, edges.offset_deg)
    normal = x.T @ x
    inverse = np.linalg.inv(normal)
    mean = inverse @ (x.T @ y)
    left = y - x @ mean
    log_like = -np.log(np.diag(root)).sum() - 0.5 * np.linalg.slogdet(normal)[1] - 0.5 * float(left @ left)
    return float(log_like), mean, np.diag(inverse)
