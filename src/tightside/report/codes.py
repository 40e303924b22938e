"""Trouble codes and phasers, in words."""

from __future__ import annotations

from collections.abc import Iterator

from tightside.diagnosis import CodePart, CodeSetPart, Diagnosis, PhaserPart
from tightside.report.words import capital, listed, long_name, sentence, side

ALONE = "A code says that a test failed, not which part did."
NOT_STANDARD = "not a standard code"
SHOWN_AS = {"stored": "", "confirmed": "confirmed", "permanent": "permanent", "pending": "pending: failed once",
            "new": "back after clearing", "history": "from earlier"}  # fmt: skip

Line = tuple[int, str]  # indent, text


def code_text(diagnosis: Diagnosis) -> list[Line]:
    """What the codes say, each and together."""
    codes = diagnosis.codes or ()
    lines = [line for code in codes for line in _code(code)]
    lines += [line for found in diagnosis.code_sets or () for line in _set(found)]
    return [*lines, (2, ALONE)] if lines else []


def _code(code: CodePart) -> Iterator[Line]:
    marks = [SHOWN_AS.get(code.status, code.status)]
    marks += [] if code.standard or not code.known else [NOT_STANDARD]
    beside = f" ({', '.join(m for m in marks if m)})" if any(marks) else ""
    yield 2, f"{code.code}: {code.meaning}{beside}."
    told = [sentence(text) for text in (code.says, code.does_not_say) if text]
    if told:
        yield 4, " ".join(told)
    if "airflow" in code.points_to:
        yield 4, "Look at throttle and idle air for this one."


def _set(found: CodeSetPart) -> Iterator[Line]:
    told = f"{sentence(found.says)} {sentence(found.does_not_say) if found.does_not_say else ''}".strip()
    named = ", ".join(found.codes)
    if found.pattern == "codes alone":
        yield 2, told
    elif len(found.codes) == 1:
        yield 2, f"{named} by itself: {told}"
    else:
        yield 2, f"{'Contradiction' if found.contradiction else 'Together'}, {named}: {told}"


def codes_alone(diagnosis: Diagnosis) -> str:
    """What can be said where codes are all that there is."""
    named = sorted({code.cam for code in diagnosis.codes or () if code.cam})
    about = f" They are about {listed(named)}." if named else ""
    return f"Codes alone cannot tell whether the timing is off.{about}"


def phaser_text(diagnosis: Diagnosis) -> list[Line]:
    """How each phaser moves, one line each."""
    phasers = diagnosis.phasers or ()
    return [(2, f"{capital(long_name(p.cam, diagnosis.cams))}: {_phaser(p)}") for p in phasers]


def _phaser(phaser: PhaserPart) -> str:
    parts = [_STATES.get(phaser.state, phaser.state)]
    if phaser.follows is not None and phaser.state != "stuck":
        parts.append(f"makes {100 * phaser.follows:.0f} % of a move{_between(phaser.follows_ci95, 100.0, 0)}")
    if phaser.response_s is not None:
        constant = f"time constant {phaser.response_s:.2f} s{_between(phaser.response_ci95_s, 1.0, 2)}"
        parts.append(f"{constant} over {phaser.steps} move{'s' if phaser.steps != 1 else ''}")
    if phaser.steady_error_deg is not None:
        error = phaser.steady_error_deg
        where = f"{abs(error):.1f} degrees {side(error)}" if abs(error) >= 0.05 else "where it is wanted"
        parts.append(f"at rest {where}")
    if phaser.wander_deg is not None:
        parts.append(f"wanders by {phaser.wander_deg:.1f} degrees")
    told = ", ".join(parts) + "."
    return " ".join((told, *(sentence(note) for note in phaser.notes)))


_STATES = {
    "follows": "follows",
    "slow": "slow",
    "stuck": "does not move when told to",
    "wandering": "wanders",
    "offset": "sits off its place",
    "lost signal": "no live signal",
    "cannot tell": "how it follows does not show",
}


def _between(interval: tuple[float, float] | None, factor: float, digits: int) -> str:
    if interval is None:
        return ""
    low, high = (f"{factor * end:.{digits}f}" for end in interval)
    return f" ({low} to {high})"
