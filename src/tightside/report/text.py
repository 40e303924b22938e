"""A diagnosis in plain words: first the answer, then how sure, then why, then what next."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from tightside.diagnosis import CamSeen, CamVerdict, Diagnosis, RecordingPart, TestPart
from tightside.report import advice
from tightside.report.causes import cause_text, conflict_words, disagreements, headline_causes, without_repeats
from tightside.report.codes import code_text, codes_alone, phaser_text
from tightside.report.cylinders import cylinder_text
from tightside.report.pressure import pressure_text
from tightside.report.words import (
    SEVERITY,
    capital,
    chances,
    count,
    degrees,
    give_or_take,
    listed,
    long_name,
    odds,
    sentence,
    side,
    teeth_words,
)

WIDTH = 96
PRACTICE = "(common practice, no source)"
PLAIN = 0.9  # a slip that is less sure is called probable
BANKS_AGREE_DEG = 3.0  # as the comparison takes it


@dataclass(frozen=True, slots=True)
class Answer:
    """What is said of one camshaft, or of several of which the same is true."""

    state: str
    cams: tuple[CamVerdict, ...]
    text: str  # the answer
    sure: str  # how sure, "" where no call is made
    why: tuple[str, ...]  # a few sentences


def answers(diagnosis: Diagnosis) -> tuple[Answer, ...]:
    """The answers, worst first; cams with the same call share one."""
    groups: dict[tuple[str, int | None], list[CamVerdict]] = {}
    for cam in sorted(diagnosis.judged, key=lambda c: (SEVERITY.index(c.state), c.cam)):
        groups.setdefault((cam.state, cam.teeth_call), []).append(cam)
    return tuple(_answer(tuple(group), diagnosis.judged) for group in groups.values())


def _answer(cams: tuple[CamVerdict, ...], every: Sequence[CamVerdict]) -> Answer:
    state = cams[0].state
    surely = [p for p in (cam.call_probability for cam in cams) if p is not None]
    sure = odds(min(surely)) if len(surely) == len(cams) else ""
    why = _small_offsets(cams) if state == "in time" else [said for cam in cams for said in _why(cam, every)]
    return Answer(state, cams, _said(cams, every), capital(sure), tuple(dict.fromkeys(why)))


def _said(cams: tuple[CamVerdict, ...], every: Sequence[CamVerdict]) -> str:
    if cams[0].state == "in time" and len(cams) == len(every) and len(cams) > 1:
        return "Both cams are in time." if len(cams) == 2 else f"All {count(len(cams))} cams are in time."
    if cams[0].state == "in time" and len(cams) > 1:
        return f"The other {count(len(cams))} cams are in time."
    names = capital(listed([long_name(cam.cam, every) for cam in cams]))
    return f"{names}: {_call(cams)}."


def _call(cams: tuple[CamVerdict, ...]) -> str:
    cam = cams[0]
    match cam.state:
        case "slipped" if cam.teeth_call:
            surest = min(c.call_probability or 0.0 for c in cams)
            return f"{'' if surest >= PLAIN else 'probably '}slipped, {teeth_words(cam.teeth_call)}"
        case "slipped":
            return "slipped, by how many teeth is not certain"
        case "erratic":
            return "erratic, it wanders from cycle to cycle"
        case "off, not by a whole tooth":
            if len(cams) == 1 and cam.offset_deg is not None:
                return f"{degrees(cam.offset_deg)} {side(cam.offset_deg)}, which is not a whole tooth"
            return "off, but not by a whole tooth"
        case "no signal":
            return "no signal, cannot be judged"
        case "not enough data" if all(c.only_compared for c in cams):
            apart = max(abs(c.offset_deg or 0.0) for c in cams)
            how = "agree within" if apart <= BANKS_AGREE_DEG else f"stand apart by{' up to' * (len(cams) > 2)}"
            return f"the banks {how} {degrees(apart)}; whether any is in time cannot be told"
        case "not enough data":
            return f"cannot tell from this {'recording' if cam.evidence == 'sensor' else 'log'}"
        case _:
            return "in time"


def _small_offsets(cams: tuple[CamVerdict, ...]) -> list[str]:
    """One sentence for all cams that are in time."""
    told = [f"{cam.cam} {_place(cam).removeprefix('sits ')}" for cam in cams if cam.offset_deg is not None]
    said = [f"Measured, in crank degrees: {', '.join(told)}; against {_reference(cams[0])}."] if told else []
    return said + [sentence(note) for cam in cams for note in cam.notes]


def _reference(cam: CamVerdict) -> str:
    return f"the {cam.reference or 'reference'}"


def _why(cam: CamVerdict, every: Sequence[CamVerdict]) -> list[str]:
    if cam.offset_deg is None:
        return [sentence(note) for note in cam.notes]
    name = capital(long_name(cam.cam, every))
    over = "engine cycles" if cam.evidence == "sensor" else "steady readings of the log"
    said = [f"{name} {_place(cam)}, over {cam.cycles} {over}, against {_reference(cam)}."]
    if cam.tooth_pitch_deg:
        said.append(f"One tooth of its drive is {cam.tooth_pitch_deg:.1f} crank degrees.")
    if cam.scatter_deg is not None:
        said.append(_steadiness(cam))
    if cam.teeth_call is None and cam.teeth:
        said.append(f"What is possible: {chances(cam)}.")
    return said + [sentence(note) for note in cam.notes]


def _place(cam: CamVerdict) -> str:
    assert cam.offset_deg is not None
    give = f" ({give_or_take(cam.offset_deg, cam.ci95_deg)})" if cam.ci95_deg else ""
    if abs(cam.offset_deg) < 0.05:
        return f"sits within 0.1 degrees of its place{give}"
    return f"sits {degrees(cam.offset_deg)} {side(cam.offset_deg)}{give}"


def _steadiness(cam: CamVerdict) -> str:
    each = "cycle to cycle" if cam.evidence == "sensor" else "reading to reading"
    scatter = f"from {each} it varies by {max(cam.scatter_deg or 0.0, 0.05):.1f} degrees"
    if cam.state == "erratic":
        return f"It is erratic: {scatter}. That points to the phaser, its oil, or a slack chain {PRACTICE}."
    if cam.state == "slipped":
        return f"It is steady: {scatter}. A steady offset is mechanical {PRACTICE}."
    return f"{capital(scatter)}."


def headline(diagnosis: Diagnosis) -> str:
    """The answer, as it stands in the largest letters."""
    found = answers(diagnosis)
    if found:
        return found[0].text
    if not diagnosis.recordings and diagnosis.causes:
        return headline_causes(diagnosis) or "Nothing of this points to a fault of the valve timing."
    if not diagnosis.recordings and diagnosis.codes:
        return codes_alone(diagnosis)
    if diagnosis.cams:
        return "Cannot tell: nothing to compare the cams with."
    return "Cannot tell: no camshaft signal in this recording."


def verdict(diagnosis: Diagnosis) -> str:
    """A few plain sentences: each answer, how sure, and why."""
    found = answers(diagnosis)
    if not found:
        return " ".join([headline(diagnosis), *conflict_words(diagnosis), _next_tests(diagnosis)[0].test])
    parts = []
    for answer in found:
        parts += [answer.text, *([f"{answer.sure}."] if answer.sure else [])]
        parts += [] if answer.state == "in time" and len(found) > 1 else answer.why
    return " ".join([*parts, *disagreements(diagnosis), *conflict_words(diagnosis)])


def with_words(diagnosis: Diagnosis) -> Diagnosis:
    """The diagnosis with its verdict, its cautions and what to do next filled in where they are missing."""
    words = {
        "verdict": diagnosis.verdict or verdict(diagnosis),
        "cautions": diagnosis.cautions or advice.cautions(diagnosis),
        "next_tests": _next_tests(diagnosis),
    }
    return diagnosis.model_copy(update=words)


def _next_tests(diagnosis: Diagnosis) -> tuple[TestPart, ...]:
    """What the causes propose, then plain advice; the other way round where the recording itself falls short."""
    given = diagnosis.next_tests or ()
    if any(test.expected_gain is None for test in given):
        return given
    plain = advice.next_tests(diagnosis)
    first = plain if {"not enough data", "no signal"} & {cam.state for cam in diagnosis.judged} else ()
    if not diagnosis.judged and diagnosis.causes and given:
        plain = ()
    every = {test.test: test for test in (*first, *given, *without_repeats(plain, given))}
    return tuple(every.values())[: advice.MOST]


# ------------------------------------------------------------------------------------------------ for the terminal


def diagnosis_text(diagnosis: Diagnosis) -> str:
    """What ``tightside diagnose`` prints."""
    told = with_words(diagnosis)
    lines: list[str] = []
    for answer in answers(told):
        lines += [answer.text] + ([f"  {answer.sure}."] if answer.sure else [])
        lines += [*_wrapped(" ".join(answer.why), "  "), ""]
    if not told.judged:
        lines += [
            *_wrapped(headline(told), "", "  "),
            "",
            *([describe_text(told)] if told.recordings or told.cams else []),
        ]
    lines += _section("Phasers", phaser_text(told)) + _section("Codes", code_text(told)) + _cause_lines(told)
    lines += _section("Cylinders", cylinder_text(told)) + _section("Pressure", pressure_text(told))
    lines += _next_lines(told) + (_warning_lines(told) if told.judged else [])
    lines += ["Take care"] + [line for text in told.cautions or () for line in _wrapped(text, "  - ", "    ")]
    return "\n".join(lines) + "\n"


def _cause_lines(diagnosis: Diagnosis) -> list[str]:
    """What is behind it, as far as there is more to say than the answers say."""
    told = cause_text(diagnosis)
    heading = ["Causes", *(line for text in disagreements(diagnosis) for line in _wrapped(text, "  "))]
    lines = [line for indent, text in told for line in _wrapped(text, " " * indent, " " * (indent + 2))]
    return [*heading, *lines, ""] if lines or len(heading) > 1 else []


def _section(heading: str, told: Sequence[tuple[int, str]]) -> list[str]:
    lines = [line for indent, text in told for line in _wrapped(text, " " * indent, " " * (indent + 2))]
    return [heading, *lines, ""] if lines else []


def _next_lines(diagnosis: Diagnosis) -> list[str]:
    lines = ["Next"]
    for number, test in enumerate(diagnosis.next_tests or (), 1):
        minutes = f" About {test.minutes} min." if test.minutes else ""
        lines += _wrapped(f"{test.test}{minutes}", f"  {number}. ", "     ")
        lines += _wrapped(" ".join([test.why, *test.cautions]), "     ", "     ")
    return [*lines, ""]


def _warning_lines(diagnosis: Diagnosis) -> list[str]:
    found = [w for recording in diagnosis.recordings for w in recording.warnings]
    found += list(diagnosis.crank.faults) if diagnosis.crank else []
    if not found:
        return []
    each_once = dict.fromkeys(map(sentence, found))
    return ["About the recording", *(line for w in each_once for line in _wrapped(w, "  - ", "    ")), ""]


def _wrapped(text: str, first: str, rest: str | None = None) -> list[str]:
    indent = first if rest is None else rest
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=indent, break_long_words=False)


def describe_text(diagnosis: Diagnosis) -> str:
    """What ``tightside describe`` prints."""
    lines: list[str] = []
    for recording in diagnosis.recordings:
        lines += _recording_lines(recording)
    if diagnosis.crank:
        lines += _crank_lines(diagnosis)
    for cam in diagnosis.cams:
        lines += _wrapped(_cam_line(cam, diagnosis.cams), "  ", "    ")
    lines += ["", *_warning_lines(diagnosis)]
    return "\n".join(lines).rstrip() + "\n"


def _recording_lines(recording: RecordingPart) -> list[str]:
    facts = [{"sensor": "sensor signals", "log": "slow log", "sound": "sound"}[recording.kind]]
    facts += [f"{recording.duration_s:.2f} s"] if recording.duration_s is not None else []
    facts += [f"{recording.rate_hz:,.0f} samples a second".replace(",", " ")] if recording.rate_hz else []
    facts += [f"{recording.rows:,} rows".replace(",", " ")]
    lines = [f"{recording.file}: {', '.join(facts)}"]
    if recording.rpm and recording.rpm.median is not None:
        low, high = recording.rpm.min or 0.0, recording.rpm.max or 0.0
        lines.append(f"  speed: {recording.rpm.median:.0f} rpm, from {low:.0f} to {high:.0f}")
    for channel in recording.channels:
        why = f": {channel.why}" if channel.why else ""
        unit = f" [{channel.unit}]" if channel.unit and not channel.column.endswith("]") else ""
        lines += _wrapped(f"{channel.column}{unit}  {channel.role or 'no role'}{why}", "  ", "    ")
    return lines


def _crank_lines(diagnosis: Diagnosis) -> list[str]:
    crank = diagnosis.crank
    assert crank is not None
    turns = f", {crank.revolutions:.0f} turns" if crank.revolutions is not None else ""
    wheel = "wheel not found"
    if crank.wheel:
        wheel = f"wheel {crank.wheel}, {crank.pulses_per_revolution} pulses a turn"
    elif crank.pulses_per_repeat:
        wheel = f"{crank.pulses_per_repeat} pulses in a pattern that repeats; how often a turn cannot be told"
    return [f"  crank ({crank.column}): {wheel}{turns}{', learned from this recording' if crank.learned else ''}"]


def _cam_line(cam: CamSeen, every: Sequence[CamSeen]) -> str:
    angles = ", ".join("?" if a is None else f"{a:.1f}" for a in cam.edge_angles_deg)
    at = f", at {angles} degrees" if angles else ""
    name = long_name(cam.cam, every) + ("" if cam.cam == cam.column else f" ({cam.column})")
    return f"{name}: {cam.edges_per_cycle} edges a cycle, {cam.cycles} cycles{at}"
