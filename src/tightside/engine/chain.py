"""Chains, belts and sprockets: bare functions, numbers in, number out.

Symbols: p pitch, N teeth, d pitch diameter, r = d / 2, L links. "Late" is positive, in crank degrees. Strand and
sprocket are taken as an ideal string on the pitch circle; the polygon effect is given apart (``chordal_variation``).
"""

from __future__ import annotations

from collections.abc import Sequence
from math import acos, asin, cos, inf, isclose, lcm, pi, sin, sqrt, tan

from tightside.records import Sprockets, tooth_pitch_deg

# ------------------------------------------------------------------------------------------------------------ teeth


def cam_deg_from_shaft_deg(stages: Sequence[Sprockets], stage_index: int = -1) -> float:
    """Crank degrees of cam movement per degree of turn of one stage's driven shaft."""
    index = range(len(stages))[stage_index]
    return tooth_pitch_deg(stages, index) * stages[index].driven_teeth / 360.0


def pitch_diameter_mm(pitch_mm: float, teeth: int) -> float:
    """Diameter of the circle through the pins of a seated chain. [mm]

    Source: ISO 606, d = p / sin(pi / N).
    """
    return pitch_mm / sin(pi / teeth)


def chordal_variation(teeth: int) -> float:
    """Spread of chain speed over one tooth, over its mean (polygon effect). [1]

    Source: Shigley, *Mechanical Engineering Design*, roller-chain section: (pi/N) [1/sin(pi/N) - 1/tan(pi/N)].
    """
    return pi / teeth * (1.0 / sin(pi / teeth) - 1.0 / tan(pi / teeth))


def length_pitches(centre_mm: float, pitch_mm: float, driver_teeth: int, driven_teeth: int) -> float:
    """Length of a chain around two sprockets, in pitches (rarely a whole number).

    Source: chain handbooks, 2 C + (Z1 + Z2) / 2 + ((Z2 - Z1) / 2 pi)^2 / C, with C the centre distance in pitches.
    """
    centre = centre_mm / pitch_mm
    around = (driver_teeth + driven_teeth) / 2
    return 2 * centre + around + ((driven_teeth - driver_teeth) / (2 * pi)) ** 2 / centre


def realignment_turns(links: int, driver_teeth: int, driven_teeth: int) -> int:
    """Crank turns until marked links stand on both sprockets' marks again.

    Examples
    --------
    126 links on 18/36: 14 turns. 127 links on 18/36: 254. 152 links on 19/38: 8.

    Notes
    -----
    Every mark is back after a number of links that all three counts divide; the crank passes its teeth per turn.
    For a driver that is not on the crank (a second stage), the turns are that driver's own.
    """
    return lcm(links, driver_teeth, driven_teeth) // driver_teeth


# ------------------------------------------------------------------------------------------------------------- wear


def late_from_strand(longer_mm: float, pitch_mm: float, driven_teeth: int) -> float:
    """How late a taut strand that is too long for its way lets the driven sprocket run. [crank deg]

    For a last stage in a 2:1 drive. The crank must turn on until the excess has been drawn past: excess / r radians at
    the cam, twice that at the crank: 720 / (pi d) per mm.
    """
    return longer_mm * 720.0 / (pi * pitch_diameter_mm(pitch_mm, driven_teeth))


def late_from_elongation(elongation: float, taut_pitches: float, driven_teeth: int) -> float:
    """Lateness of a cam whose chain has grown longer. [crank deg]

    Parameters
    ----------
    elongation : growth over length (0.005 is half a per cent). [1]
    taut_pitches : pitches of the strand between the sprockets that pulls the cam

    Notes
    -----
    Our derivation: ``late_from_strand`` with an excess of elongation * pitches * p; the pitch cancels. Holds with the
    tensioner on the slack side. Leaves out sprocket wear and rollers climbing the teeth, which add to it.
    """
    return elongation * taut_pitches * 720.0 / pi * sin(pi / driven_teeth)


def bowed_length_mm(span_mm: float, bow_mm: float) -> float:
    """Length of a strand that a guide holds in a circular arc. [mm]

    Parameters
    ----------
    span_mm : straight distance between the ends
    bow_mm : how far the guide holds the middle off the straight line; at most half the span
    """
    if isclose(bow_mm, 0.0, abs_tol=1e-6 * span_mm):
        return span_mm
    radius = (span_mm**2 / 4 + bow_mm**2) / (2 * abs(bow_mm))
    return 2 * radius * asin(min(1.0, span_mm / (2 * radius)))


def late_from_guide_wear(wear_mm: float, span_mm: float, bow_mm: float, *, pitch_mm: float, driven_teeth: int) -> float:
    """Lateness from wear of the guide along the taut strand. [crank deg]

    Parameters
    ----------
    wear_mm : depth worn into the guide; more than ``bow_mm`` counts as that (the strand is then straight)
    span_mm, bow_mm : as in ``bowed_length_mm``, of the new guide

    Notes
    -----
    Our derivation: the worn guide shortens the strand's way while the strand keeps its pitches, so the strand is too
    long by the difference. A straight guide (bow 0) only rattles: no lateness.
    """
    left_mm = max(0.0, bow_mm - max(0.0, wear_mm))
    shorter_mm = bowed_length_mm(span_mm, bow_mm) - bowed_length_mm(span_mm, left_mm)
    return late_from_strand(shorter_mm, pitch_mm, driven_teeth)


# --------------------------------------------------------------------------------------------------- jumping a tooth


def tooth_height_range_mm(pitch_mm: float, teeth: int) -> tuple[float, float]:
    """Least and greatest height of a roller-chain tooth, root to tip. [mm]

    Source: ISO 606 (from memory): root diameter d - d1, tip diameter from d + p (1 - 1.6/N) - d1 to d + 1.25 p - d1,
    where the roller diameter d1 cancels: half of p (1 - 1.6/N), and 0.625 p. Silent chain and belts: measure.
    """
    return pitch_mm * (1 - 1.6 / teeth) / 2, 0.625 * pitch_mm


def slack_to_lift_mm(lift_mm: float, radius_mm: float) -> float:
    """Spare length that a chain needs to be lifted off a sprocket at one place. [mm]

    Our derivation: the strand leaves the pitch circle (radius r) along a tangent up to the lifted place (r + h) and
    comes back likewise, each way sqrt((r+h)^2 - r^2) long instead of the arc r acos(r / (r+h)).
    """
    angle = acos(radius_mm / (radius_mm + lift_mm))
    return 2 * (sqrt((radius_mm + lift_mm) ** 2 - radius_mm**2) - radius_mm * angle)


def lift_from_slack_mm(slack_mm: float, radius_mm: float) -> float:
    """How far spare length lets a chain be lifted off a sprocket at one place. [mm]

    The inverse of ``slack_to_lift_mm``: with r + h = r / cos a, slack = 2 r (tan a - a), solved by bisection.
    """
    low, high = 0.0, pi / 2
    for _ in range(60):
        angle = (low + high) / 2
        low, high = (angle, high) if 2 * radius_mm * (tan(angle) - angle) < slack_mm else (low, angle)
    return radius_mm * (1 / cos(low) - 1)


def slack_to_climb_mm(pitch_mm: float, teeth: int, *, tooth_height_mm: float, wrap_deg: float) -> tuple[float, float]:
    """Spare length with which a chain climbs over a tooth: it may from the first value, must from the second. [mm]

    Parameters
    ----------
    tooth_height_mm : root to tip, as far as a roller must rise to pass the tip
    wrap_deg : how far around the sprocket the chain lies

    Notes
    -----
    Our derivation. From the first value one place of the chain can be lifted over a tip (``slack_to_lift_mm``), so
    that a piece of guide, or a jerk, can put it one tooth wrong. With the second all of the wrap rides on the tips at
    once (wrap in radians times height), and nothing holds it.
    """
    radius = pitch_diameter_mm(pitch_mm, teeth) / 2
    return slack_to_lift_mm(tooth_height_mm, radius), tooth_height_mm * wrap_deg * pi / 180


def guide_piece_to_jump_mm(
    pitch_mm: float, teeth: int, *, tooth_height_mm: float, slack_mm: float = 0.0, tensioner_gives_mm: float = inf
) -> float:
    """Least thickness of a broken guide piece that makes the chain jump where it runs onto a sprocket. [mm]

    Parameters
    ----------
    slack_mm : spare length already there
    tensioner_gives_mm : further spare length that the tensioner can still give way by

    Returns
    -------
    float
        Infinite where the chain cannot come off: the piece then jams, and chain, guide or sprocket breaks instead.

    Notes
    -----
    Our derivation: a piece in a tooth gap lifts the roller above it by its thickness. The roller clears the tip once
    it is as high as the tooth; ``lift_from_slack_mm`` of that is there already without the piece.
    """
    radius = pitch_diameter_mm(pitch_mm, teeth) / 2
    if slack_mm + tensioner_gives_mm < slack_to_lift_mm(tooth_height_mm, radius):
        return inf
    return max(0.0, tooth_height_mm - lift_from_slack_mm(slack_mm, radius))
