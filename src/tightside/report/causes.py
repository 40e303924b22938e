"""Causes in words: what is behind it, what speaks for and against, and where that parts from the plain state."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from tightside.diagnosis import CausePart, Diagnosis, EvidencePart, TestPart
from tightside.report.words import capital, is_placed, listed, sentence

NAMES = {
    "in_time": "in time",
    "chain_slipped": "slipped chain",
    "chain_worn": "worn chain",
    "phaser_loose": "loose phaser",
    "phaser_stuck": "stuck phaser",
    "oil_control": "oil control",
    "cam_signal": "cam sensor or its wiring",
    "crank_signal": "crank sensor or its wiring",
    "drive_broken": "broken drive",
    "wrong_reference": "wrong reference",
}
#: causes that a plain state already says or leaves open; any other one disagrees with it
SAYS: dict[str, tuple[str, ...]] = {
    "in time": ("in_time",),
    "slipped": ("chain_slipped",),
    "erratic": ("phaser_loose", "oil_control", "cam_signal", "crank_signal", "chain_worn", "drive_broken"),
    "off, not by a whole tooth": ("chain_worn", "phaser_stuck", "oil_control", "wrong_reference", "phaser_loose"),
    "no signal": ("cam_signal", "crank_signal", "drive_broken"),
}
#: beginnings of proposed tests, and of the plain advice that says the same
SAME_AS = {
    "Take off the cam cover": ("Turn the engine to its marks", "Check chain slack"),
    "Compare the cylinders'": ("Compare the cylinders",),
    "Measure compression": ("Compare the cylinders",),
    "Check oil level": ("Check oil level",),
    "Check supply": ("Check the cam sensor's supply",),
    "Check that the engine file": ("Check that the engine file",),
    "Look at the sensor wheel": ("Look at the cam sensor's mounting",),
}
DISAGREES_AT = 0.5
QUIET_AT = 0.8  # a cam that is in time with at least this is not gone into
TOLD, LEAST = 3, 0.05
TOLD_DECIBANS = 2.0  # evidence that weighs less is left to the result file


@dataclass(frozen=True, slots=True)
class CauseShown:
    """One cause of one cam, ready to print."""

    name: str
    chance: str
    share: float  # 0 to 100
    pro: tuple[str, ...]
    contra: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CamCauses:
    """The causes of one cam, most probable first."""

    cam: str
    causes: tuple[CauseShown, ...]
    also: tuple[str, ...]  # further faults that are probably there too
    would_change: str


def chance(probability: float) -> str:
    """ "74 in 100", never certain and never none."""
    if probability > 0.99:
        return "more than 99 in 100"
    return f"{max(math.floor(probability * 100 + 0.5), 1)} in 100"


def weight_words(decibans: float) -> str:
    """How heavily a piece of evidence weighs, whichever way; 10 decibans are a factor of ten in the odds."""
    heavy = abs(decibans)
    return "decisive" if heavy >= 20 else "strong" if heavy >= 10 else "fair" if heavy >= 5 else "slight"


def by_cam(diagnosis: Diagnosis) -> dict[str | None, list[CausePart]]:
    """Causes of each cam, most probable first, cams in order of name."""
    found: dict[str | None, list[CausePart]] = {}
    for cause in diagnosis.causes or ():
        found.setdefault(cause.cam, []).append(cause)
    return dict(sorted(found.items(), key=lambda item: item[0] or ""))


def is_quiet(causes: list[CausePart]) -> bool:
    """Whether a cam is in time with little doubt, and nothing else is to be said of it."""
    return causes[0].cause == "in_time" and causes[0].probability >= QUIET_AT


def cam_causes(diagnosis: Diagnosis) -> tuple[CamCauses, ...]:
    """What is shown of every cam of which there is something to say."""
    return tuple(_shown(cam, causes) for cam, causes in by_cam(diagnosis).items() if not is_quiet(causes))


def quiet_words(diagnosis: Diagnosis) -> str:
    """ "1B, 2A and 2B: in time, at least 95 in 100", or nothing."""
    quiet = {cam: causes for cam, causes in by_cam(diagnosis).items() if is_quiet(causes)}
    if not quiet:
        return ""
    least = min(causes[0].probability for causes in quiet.values())
    names = listed([cam or "the engine" for cam in quiet])
    return f"{capital(names)}: in time, {'at least ' if len(quiet) > 1 else ''}{chance(least)}."


def _shown(cam: str | None, causes: list[CausePart]) -> CamCauses:
    told = [c for c in causes if c.probability >= LEAST][:TOLD]
    also = [
        f"{NAMES[c.cause]} {chance(c.present)}"
        for c in causes[1:]
        if c.present is not None and c.present >= 0.5 and c.cause != "in_time"
    ]
    return CamCauses(
        cam=cam or "",
        causes=tuple(
            CauseShown(
                capital(NAMES[c.cause]),
                chance(c.probability),
                100.0 * c.probability,
                tuple(_weighed(c.evidence, 1.0)),
                tuple(_weighed(c.evidence, -1.0)),
            )
            for c in told
        ),
        also=tuple(also),
        would_change=causes[0].would_change,
    )


def _weighed(evidence: tuple[EvidencePart, ...], sign: float) -> Iterator[str]:
    for piece in [e for e in evidence if sign * e.decibans >= TOLD_DECIBANS][:TOLD]:
        yield f"{piece.text} ({weight_words(piece.decibans)})"


def disagreements(diagnosis: Diagnosis) -> tuple[str, ...]:
    """Where all evidence together says something else than the cam's plain state."""
    out = []
    causes = by_cam(diagnosis)
    for cam in diagnosis.judged:
        ranked = causes.get(cam.cam)
        if not ranked or cam.state not in SAYS or ranked[0].probability < DISAGREES_AT:
            continue
        first = ranked[0]
        if first.cause not in SAYS[cam.state]:
            for_it = [e.text for e in first.evidence if e.decibans > 0][:2]
            because = f", because {' and '.join(for_it)}" if for_it else ""
            name = cam.cam if is_placed(cam.cam) else f"cam “{cam.cam}”"
            said = f"{name} by itself reads “{cam.state}”, but all evidence together makes {_a(first.cause)} likelier"
            out.append(sentence(f"{said}, {chance(first.probability)}{because}"))
    return tuple(out)


def _a(cause: str) -> str:
    name = NAMES[cause]
    return "the cam being in time" if cause == "in_time" else f"the {name}" if "or its" in name else f"a {name}"


def conflict_words(diagnosis: Diagnosis) -> tuple[str, ...]:
    """Evidence that contradicts the rest, one sentence each."""
    return tuple(sentence(f"it does not fit with the rest that {_clause(text)}") for text in diagnosis.conflicts or ())


def _clause(text: str) -> str:
    """A finding as a subordinate clause: "P0016 is stored (a code says ...)" or as it stands."""
    code, colon, rest = text.partition(": ")
    return f"{code} is stored ({rest})" if colon else text


def without_repeats(plain: Iterable[TestPart], proposed: Iterable[TestPart]) -> tuple[TestPart, ...]:
    """Plain advice less what the proposed tests say already."""
    said = tuple(
        again
        for test in proposed
        for start, agains in SAME_AS.items()
        if test.test.startswith(start)
        for again in agains
    )
    return tuple(test for test in plain if not test.test.startswith(said)) if said else tuple(plain)


def headline_causes(diagnosis: Diagnosis) -> str:
    """The answer where there is no cam to judge: the likeliest cause, if one stands out."""
    ranked = [causes[0] for causes in by_cam(diagnosis).values() if causes[0].cause != "in_time"]
    if not ranked:
        return ""
    first = max(ranked, key=lambda c: c.probability)
    at = f" ({first.cam})" if first.cam else ""
    if first.probability >= DISAGREES_AT:
        return f"Without a recording: likeliest is {_a(first.cause)}{at}, {chance(first.probability)}."
    return f"Without a recording: no single cause stands out; most probable is {_a(first.cause)}{at}."


def cause_text(diagnosis: Diagnosis) -> tuple[tuple[int, str], ...]:
    """Lines of the section "Causes" for the terminal: (indent, text)."""
    out: list[tuple[int, str]] = []
    for cam in cam_causes(diagnosis):
        for place, cause in enumerate(cam.causes):
            name = f"{cam.cam + ': ' if cam.cam and place == 0 else ''}{cause.name}, {cause.chance}."
            out.append((2 if place == 0 else 4, name))
            out += [(6, f"For: {'; '.join(cause.pro)}.")] if cause.pro else []
            out += [(6, f"Against: {'; '.join(cause.contra)}.")] if cause.contra else []
        out += [(4, f"Probably there as well: {', '.join(cam.also)}.")] if cam.also else []
        out += [(4, f"This would change it: {cam.would_change}.")] if cam.would_change else []
    quiet = quiet_words(diagnosis)
    out += [(2, quiet)] if quiet and out else []
    out += [(2, text) for text in conflict_words(diagnosis)]
    return tuple(out)
