"""The page and its pictures: self-contained, escaped, drawn where the numbers say."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from xml.etree import ElementTree

import numpy as np
import pytest

from examinations import CALLS, EDGES_DEG, PITCH_DEG, STATES, Calls, examination
from tightside.diagnosis import Diagnosis, Examination
from tightside.records import Levels, WheelPattern
from tightside.report.frames import choose_cycle, edges_in, frame_shift_deg, signal_in
from tightside.report.html import render_html
from tightside.report.marks import WIDTH, render_marks
from tightside.report.offsets import render_offsets
from tightside.report.speed import render_speed
from tightside.report.svg import Drawing, envelope, round_steps
from tightside.report.traces import render_traces

VOID = {"meta", "br", "link", "img", "hr"}


class Balance(HTMLParser):
    """Collects elements and attributes, and what was left open."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.wrong: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)


def parsed(page: str) -> Balance:
    parser = Balance()
    parser.feed(page)
    return parser


def tree(svg: str) -> ElementTree.Element:
    return ElementTree.fromstring(svg.replace(' xmlns="http://www.w3.org/2000/svg"', ""))


@pytest.mark.parametrize("state", STATES)
def test_page_any_state_is_well_formed_and_asks_nothing_of_the_net(state: str) -> None:
    page = render_html(examination(STATES[state]))
    found = parsed(page)
    assert found.open == [] and found.wrong == []
    assert not [a for a in found.attributes if a[0] in ("script", "link", "img", "iframe")]
    assert not [a for a in found.attributes if a[1] in ("src", "href") or a[1].startswith("on")]
    assert "http" not in page.replace("http://www.w3.org/2000/svg", "")
    assert "url(" not in page and "@import" not in page
    assert "None" not in page and "nan" not in re.sub("[a-z]nan|nan[a-z]", "", page)


def test_page_answer_comes_before_odds_before_why_before_pictures() -> None:
    page = render_html(examination())
    body = page[page.index("<body>") :]
    parts = ("<h1>Bank 1 intake cam (1A): slipped", "More than 99 in 100", "Take care", "Why", "Cycle by cycle", "SHA")
    places = [body.index(part) for part in parts]
    assert places == sorted(places)


def test_page_texts_from_files_are_escaped() -> None:
    evil = '"><script>alert(1)</script>'
    whole = examination(file=evil)
    assert whole.recording is not None
    channels = tuple(replace(c, column=evil, why=evil) for c in whole.recording.channels)
    cams = tuple(c.model_copy(update={"reference": evil, "notes": (evil,)}) for c in whole.diagnosis.judged)
    diagnosis = whole.diagnosis.model_copy(update={"engine": evil, "cams": cams})
    page = render_html(replace(whole, recording=replace(whole.recording, channels=channels), diagnosis=diagnosis))
    assert "<script" not in page
    assert page.count("&lt;script&gt;") >= 3


def test_page_same_examination_gives_same_bytes() -> None:
    assert render_html(examination()) == render_html(examination())


def test_page_without_clock_or_cams_still_says_what_to_do() -> None:
    page = render_html(Examination(diagnosis=Diagnosis()))
    assert "Cannot tell" in page and "Record at least one camshaft sensor" in page
    assert "<svg" not in page


def test_offsets_picture_means_lie_on_their_tooth_lines() -> None:
    whole = examination()
    svg = tree(render_offsets(whole.diagnosis.judged, whole.cams))
    zero = [float(e.get("y1", "nan")) for e in svg.iter("line") if e.get("class") == "zero"]
    means = [float(e.get("y1", "nan")) for e in svg.iter("line") if (e.get("class") or "").endswith("mean")]
    bands = [e for e in svg.iter("rect") if "called" in (e.get("class") or "")]
    centre = [float(e.get("y", "nan")) + float(e.get("height", "nan")) / 2 for e in bands]
    per_deg = (zero[0] - centre[0]) / PITCH_DEG  # late is up
    assert per_deg > 0
    assert np.allclose([(zero[0] - m) / per_deg for m in means], [17.3, -0.2, 0.3, 0.1], atol=0.05)
    assert len(list(svg.iter("circle"))) == 4 * 22


def test_offsets_picture_far_cycles_are_marked_at_the_rim_and_the_rest_stays_readable() -> None:
    whole = examination()
    far = replace(whole.cams[0], cycle_offset_deg=np.where(np.arange(22) == 3, 300.0, 17.3))
    svg = tree(render_offsets(whole.diagnosis.judged, (far, *whole.cams[1:])))
    rim = [e for e in svg.iter("polygon") if (e.get("class") or "").endswith("cycle")]
    assert len(rim) == 1


def test_offsets_picture_without_offsets_is_not_drawn() -> None:
    calls: Calls = dict.fromkeys(CALLS, ("no signal", None, None, None))
    whole = examination(calls)
    assert render_offsets(whole.diagnosis.judged, whole.cams) == ""


def test_marks_picture_one_tooth_late_stands_under_the_late_notch() -> None:
    cam = examination().diagnosis.judged[0].model_copy(update={"offset_deg": PITCH_DEG})
    svg = tree(render_marks(cam))
    notches = sorted(float(e.get("x1", "nan")) for e in svg.iter("line") if e.get("class") == "notch")
    mark = next(e for e in svg.iter("polygon") if (e.get("class") or "").endswith("mark"))
    tip = float((mark.get("points") or "").split(",")[0])
    first_late = min(x for x in notches if x > WIDTH / 2)
    assert tip == pytest.approx(first_late, abs=0.2)


def test_traces_picture_found_edges_are_where_the_hand_made_signal_has_them() -> None:
    whole = examination()
    view = choose_cycle(whole)
    assert view is not None
    found = edges_in(whole.edges[0], view)
    expected = np.sort((np.array(EDGES_DEG["1A"]) + 17.3) % 720.0)
    assert np.allclose(np.sort(found), expected, atol=0.1)
    assert whole.recording is not None
    angle, value = signal_in(whole.recording.channels[1].data, view)
    rises = angle[1:][(value[1:] > 2.4) & (value[:-1] <= 2.4)]
    assert np.allclose(rises, expected[::2], atol=0.5)


def test_traces_picture_finds_the_right_turn_of_the_two() -> None:
    whole = examination()
    assert whole.clock is not None
    assert frame_shift_deg(whole.cams, whole.edges, whole.clock) == 360.0


def test_traces_picture_of_a_learned_wheel_does_not_claim_a_top() -> None:
    whole = examination()
    learned = WheelPattern("60-2", np.arange(58) * 6.0, learned=True, position_known=False)
    assert "top of cylinder 1 at the end" in render_traces(whole)
    assert "not known" in render_traces(replace(whole, wheel=learned))


def test_traces_picture_levels_become_steps() -> None:
    whole = examination()
    view = choose_cycle(whole)
    assert view is not None
    begin, end = view.span_s
    levels = Levels(times_s=np.array([begin - 1.0, (begin + end) / 2]), levels=np.array([1, 0]), end_s=end)
    angle, value = signal_in(levels, view)
    assert value.tolist() == [1.0, 1.0, 0.0, 0.0]
    assert angle[0] == pytest.approx(0.0, abs=1e-6) and angle[-1] == pytest.approx(720.0, abs=1e-6)
    assert angle[1] == angle[2]


def test_pictures_without_a_whole_cycle_are_not_drawn() -> None:
    whole = examination()
    assert whole.clock is not None
    short = replace(
        whole.clock, **{n: getattr(whole.clock, n)[:9] for n in ("times_s", "angle_deg", "speed_deg_s", "segment")}
    )
    assert render_traces(replace(whole, clock=short)) == ""
    assert render_speed(None) == ""


def test_speed_picture_breaks_where_the_engine_stood() -> None:
    clock = examination().clock
    assert clock is not None
    halves = (np.arange(len(clock.times_s)) > 500).astype(np.int64)
    svg = tree(render_speed(replace(clock, segment=halves)))
    assert len(list(svg.iter("polyline"))) == 2


def test_drawing_escapes_text_and_attributes() -> None:
    drawing = Drawing(10, 10, '"<')
    drawing.text((0, 0), "<b>&", 'x" onload="y')
    written = drawing.to_svg()
    assert "<b>" not in written and 'onload="' not in written
    assert tree(written).findtext("text") == "<b>&"


def test_envelope_keeps_every_extreme() -> None:
    rng = np.random.default_rng(1)
    y = rng.standard_normal(10_000)
    points = envelope(np.arange(10_000.0), y, 100)
    assert len(points) <= 200
    assert max(v for _, v in points) == y.max() and min(v for _, v in points) == y.min()
    assert envelope(np.arange(4.0), np.array([5.0, 9.0, 1.0, 2.0]), 1) == [(1.0, 9.0), (2.0, 1.0)]


@pytest.mark.parametrize(("low", "high"), [(0, 700), (0, 8), (0.3, 0.9), (-3, 41)])
def test_round_steps_are_round_inside_and_few(low: float, high: float) -> None:
    steps = round_steps(low, high, 5)
    assert 2 <= len(steps) <= 8
    assert all(low - 1e-9 <= s <= high + 1e-9 for s in steps)
