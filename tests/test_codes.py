"""Trouble codes: the two bytes and the status, the table, what several say together, and makers' own."""

from __future__ import annotations

import contextlib
import json
import pickle
from pathlib import Path
from typing import Any, get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tightside.cli import main
from tightside.codes.own import code_table_from_text, read_code_table
from tightside.codes.read import read_codes, split_entry
from tightside.codes.table import FAMILIES, LIKELIHOOD_RATIO, STANDARD
from tightside.codes.together import read_together
from tightside.codes.wire import (
    byte_from_status,
    bytes_from_code,
    code_from_bytes,
    is_code,
    is_standard_number,
    status_from_byte,
)
from tightside.errors import DataError, UsageError
from tightside.records import CauseName, same

BANKS = {"1": (1, 3, 5), "2": (2, 4, 6)}


def together(*codes: str, banks: dict[str, tuple[int, ...]] | None = BANKS) -> dict[str, Any]:
    return {found.pattern: found for found in read_together(read_codes(codes), banks)}


# --------------------------------------------------------------------------------------------- two bytes, status byte


# ORIGIN: the usual worked examples of the two-byte form (letter in bits 15-14, first digit in 13-12, three hex digits),
# as general pages on SAE J2012 / ISO 15031-6 give them; exact.
@pytest.mark.parametrize(
    ("high", "low", "code"),
    [
        (0x00, 0x16, "P0016"),
        (0x03, 0x40, "P0340"),
        (0x52, 0x01, "C1201"),
        (0x83, 0x40, "B0340"),
        (0xC1, 0x00, "U0100"),
    ],
)
def test_code_and_its_two_bytes_match_the_published_pairs(high: int, low: int, code: str) -> None:
    assert code_from_bytes(high, low) == code
    assert bytes_from_code(code) == (high, low)


@given(st.integers(0, 0xFFFF))
def test_every_pair_of_bytes_is_a_code_and_comes_back(word: int) -> None:
    code = code_from_bytes(word >> 8, word & 0xFF)
    assert is_code(code)
    assert bytes_from_code(code) == (word >> 8, word & 0xFF)


@pytest.mark.parametrize("text", ["P4016", "X0016", "P001G", "P00160", "p0016", "", "P016"])
def test_what_is_no_code_is_refused(text: str) -> None:
    assert not is_code(text)
    with pytest.raises(DataError, match="not a trouble code"):
        bytes_from_code(text)


def test_bytes_out_of_range_are_refused() -> None:
    with pytest.raises(DataError, match="0 to 255"):
        code_from_bytes(256, 0)
    with pytest.raises(DataError, match="0 to FF"):
        status_from_byte(256)


# ORIGIN: DTCStatusMask of ISO 14229-1 (from memory): bit 0 testFailed, 2 pendingDTC, 3 confirmedDTC, 7 warning lamp.
def test_status_byte_has_the_standards_bits() -> None:
    status = status_from_byte(0b1000_1101)
    assert (status.test_failed, status.pending, status.confirmed, status.warning_lamp) == (True, True, True, True)
    assert not status.test_failed_this_cycle and not status.not_completed_since_clear


@given(st.integers(0, 255))
def test_status_byte_comes_back(byte: int) -> None:
    assert byte_from_status(status_from_byte(byte)) == byte


@pytest.mark.parametrize(
    ("byte", "word"),
    [
        (0x2F, "confirmed"),
        (0x28, "history"),
        (0x24, "pending"),
        (0x0D, "confirmed"),
        (0x50, "stored"),
        (0x00, "stored"),
    ],
)
def test_status_byte_is_told_in_one_word(byte: int, word: str) -> None:
    assert status_from_byte(byte).word == word


# ORIGIN: number blocks of SAE J2012, from memory: x0xx, P2xxx and P34xx to P39xx are the standard's.
def test_number_says_whose_block_it_is() -> None:
    standard = {
        c: is_standard_number(c) for c in ("P0016", "P2088", "P3400", "U0100", "P1345", "P3000", "U1000", "B1000")
    }
    assert [c for c, yes in standard.items() if yes] == ["P0016", "P2088", "P3400", "U0100"]


# ---------------------------------------------------------------------------------------------------------- the table


# ORIGIN: place by place as general code lists agree (SAE J2012's text was not read): correlation, position, slow
# response, actuator and sensor circuits of the four camshafts. Kind and letter of every code of the table that is not
# marked as from memory were compared, one by one, with an independent open table of 2066 codes: no difference.
@pytest.mark.parametrize(
    ("codes", "kind"),
    [
        (("P0016", "P0017", "P0018", "P0019"), "correlation"),
        (("P0011", "P0014", "P0021", "P0024"), "position"),
        (("P0012", "P0015", "P0022", "P0025"), "position"),
        (("P000A", "P000B", "P000C", "P000D"), "performance"),
        (("P0010", "P0013", "P0020", "P0023"), "circuit"),
        (("P0026", "P0027", "P0028", "P0029"), "performance"),
        (("P0075", "P0078", "P0081", "P0084"), "circuit"),
        (("P0340", "P0365", "P0345", "P0390"), "circuit"),
        (("P0341", "P0366", "P0346", "P0391"), "performance"),
        (("P0342", "P0367", "P0347", "P0392"), "circuit"),
        (("P0343", "P0368", "P0348", "P0393"), "circuit"),
        (("P0344", "P0369", "P0349", "P0394"), "circuit"),
        (("P2088", "P2090", "P2092", "P2094"), "circuit"),
        (("P2089", "P2091", "P2093", "P2095"), "circuit"),
    ],
)
def test_family_names_the_four_camshafts_in_the_standards_order(codes: tuple[str, ...], kind: str) -> None:
    found = read_codes(codes)
    assert [f.cam for f in found] == ["1A", "1B", "2A", "2B"]
    assert {f.kind for f in found} == {kind}
    assert all(f.standard and f.known and f.bank == (f.cam or "")[:1] for f in found)


# ORIGIN: the same lists: P0008 bank 1, P0009 bank 2 (one list of four calls P0009 bank 1; the other three say 2).
def test_engine_position_codes_are_of_a_bank_not_a_cam() -> None:
    assert [(f.code, f.bank, f.cam) for f in read_codes(["P0008", "P0009"])] == [
        ("P0008", "1", None),
        ("P0009", "2", None),
    ]


def test_every_code_of_the_cam_and_crank_blocks_is_known() -> None:
    wanted = [f"P00{n:02X}" for n in (*range(0x08, 0x0E), *range(0x10, 0x1A), *range(0x20, 0x2A))]
    wanted += [f"P0{n}" for n in (*range(335, 350), *range(365, 370), *range(385, 395))]
    wanted += [f"P20{n}" for n in range(88, 96)] + ["P052A", "P052D", "P054A", "P054D", "P0315", "P0320"]
    wanted += [f"P0{n}" for n in (*range(505, 512), *range(520, 525), *range(121, 125), *range(300, 313))] + ["P2101"]
    assert [code for code in wanted if code not in STANDARD] == []


def test_table_is_whole_and_every_entry_gives_its_reason() -> None:
    assert len(STANDARD) == sum(len(family.rows) for family in FAMILIES)  # no code in two families
    for family in FAMILIES:
        assert family.says and family.does_not_say and family.because and family.source
        assert {cause for cause, _ in family.supports} <= set(get_args(CauseName))
        assert {weight for _, weight in family.supports} <= set(LIKELIHOOD_RATIO)
        assert len(dict(family.supports)) == len(family.supports)
    assert all(is_code(code) and is_standard_number(code) for code in STANDARD)


def test_meaning_is_filled_in_for_every_code() -> None:
    for found in read_codes(STANDARD):
        assert found.meaning and "{" not in found.meaning and not found.meaning.endswith((":", ": "))


def test_throttle_and_idle_codes_point_to_the_airflow_analysis() -> None:
    found = read_codes(["P0505", "P0506", "P0507", "P0121", "P2101", "P2135", "P0638", "P0101"])
    assert all("airflow" in f.points_to for f in found)
    assert read_codes(["P0301"])[0].points_to == ("cylinders",)


# --------------------------------------------------------------------------------------------------------- the reading


def test_entry_carries_code_and_status() -> None:
    assert split_entry("p0016") == ("P0016", "stored", None)
    assert split_entry(" P0016:Pending ") == ("P0016", "pending", None)
    assert split_entry("P0016:2f") == ("P0016", "confirmed", 0x2F)
    assert split_entry("P0016-78") == ("P0016", "stored", None)


@pytest.mark.parametrize("entry", ["P0016:soon", "P0016:100", "P0016:-1", "P0016:2F:3"])
def test_status_that_is_none_is_refused_with_what_there_is(entry: str) -> None:
    with pytest.raises(UsageError, match=r"pending.*status byte"):
        split_entry(entry)


def test_code_given_twice_is_kept_once_with_its_status() -> None:
    found = read_codes(["P0016", "p0016:pending", "P0340"])
    assert [(f.code, f.status) for f in found] == [("P0016", "pending"), ("P0340", "stored")]


def test_pending_code_weighs_a_class_less_than_a_confirmed_one() -> None:
    confirmed, pending = (dict(read_codes([f"P0016:{s}"])[0].supports) for s in ("confirmed", "pending"))
    assert (confirmed["chain_slipped"], pending["chain_slipped"]) == ("strong", "moderate")
    assert "in_time" in confirmed and "in_time" not in pending


@pytest.mark.parametrize(("code", "standard"), [("P1345", False), ("P0999", True), ("U0100", True), ("P3FFF", False)])
def test_unknown_code_is_kept_and_said_to_be_unknown(code: str, standard: bool) -> None:
    (found,) = read_codes([code])
    assert (found.code, found.known, found.standard, found.supports) == (code, False, standard, ())
    assert "unknown" in found.meaning


def test_finding_crosses_processes() -> None:
    (found,) = read_codes(["P0016:2F"])
    assert same(found, pickle.loads(pickle.dumps(found)))


# ------------------------------------------------------------------------------------------------------ read together


def test_one_bank_against_both_speaks_for_the_chain_and_both_for_what_they_share() -> None:
    one = together("P0016")["cam against crank on one bank"]
    both = together("P0016", "P0018")["cam against crank on both banks"]
    assert dict(one.supports)["chain_slipped"] == "strong" and dict(one.supports)["crank_signal"] == "against"
    assert dict(both.supports)["crank_signal"] == "moderate" == dict(both.supports)["wrong_reference"]
    assert "cam against crank on one bank" not in together("P0016", "P0018")


def test_one_bank_is_not_held_against_a_bank_that_may_not_exist_or_is_not_seen() -> None:
    assert together("P0016", banks=None) == {} == together("P0016", banks={"1": (1, 2, 3, 4)})
    assert "cam against crank on one bank" not in together("P0016", "P0345")


def test_both_cams_of_one_bank_speak_against_their_phasers() -> None:
    found = together("P0016", "P0017")["cam against crank on one bank"]
    assert dict(found.supports)["phaser_stuck"] == "against" and found.cam is None and found.bank == "1"


def test_bad_signal_of_the_same_cam_comes_before_its_timing() -> None:
    found = together("P0016", "P0340")["cam against crank with a bad signal of the same cam"]
    assert dict(found.supports) == {"cam_signal": "strong", "chain_slipped": "weak"}
    assert "cam against crank with a bad signal of the same cam" not in together("P0016", "P0345")
    assert (
        dict(together("P0016", "P0335")["cam against crank with a bad crank signal"].supports)["crank_signal"]
        == "strong"
    )


def test_valve_without_current_explains_a_cam_that_does_not_follow() -> None:
    found = together("P0010", "P0011")["cam does not follow, and its oil valve has no current"]
    assert dict(found.supports)["chain_slipped"] == "against" and found.cam == "1A"
    assert not any("oil valve" in pattern for pattern in together("P0010", "P0021"))


def test_too_early_and_too_late_is_no_slip() -> None:
    found = together("P0011", "P0012")["too early and too late"]
    assert dict(found.supports)["chain_slipped"] == "against"


def test_late_in_both_tests_speaks_for_the_chain_early_for_the_phaser() -> None:
    late, early = together("P0016", "P0012"), together("P0016", "P0011")
    assert dict(late["cam against crank, and too late"].supports)["chain_slipped"] == "strong"
    assert dict(early["cam against crank, and too early"].supports)["phaser_stuck"] == "strong"


def test_several_cams_or_a_named_pressure_speak_for_the_oil() -> None:
    assert dict(together("P0011", "P0021")["several cams do not follow"].supports)["oil_control"] == "strong"
    assert dict(together("P000A", "P0524")["cam does not follow, and oil is named"].supports)["oil_control"] == "strong"


def test_silent_bank_may_not_turn() -> None:
    found = together("P0340", "P0365")["both cam sensors of one bank silent"]
    assert dict(found.supports)["drive_broken"] == "moderate" and "crank" in found.says
    assert "both cam sensors of one bank silent" not in together("P0340", "P0365", "P0345")


def test_misfires_count_for_the_bank_only_where_they_are_all_on_it() -> None:
    assert together("P0016", "P0301", "P0303")["misfires on the bank whose cam disagrees"].bank == "1"
    assert "misfires on the bank whose cam disagrees" not in together("P0016", "P0301", "P0302")


@pytest.mark.parametrize("pair", [("P0342", "P0343"), ("P0337", "P0338"), ("P2088", "P2089")])
def test_low_and_high_at_one_wire_is_said_to_be_a_contradiction(pair: tuple[str, str]) -> None:
    assert together(*pair)["low and high at one wire"].contradiction
    assert together("P0342", "P0348") == {} or "low and high at one wire" not in together("P0342", "P0348")


def test_what_came_back_is_told_from_what_did_not() -> None:
    found = together("P0016:new", "P0340")["back after clearing"]
    assert "P0016 came back" in found.says and "P0340 did not" in found.says
    assert "back after clearing" not in together("P0016", "P0340")


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from(sorted(STANDARD)), st.sampled_from(["", ":new", ":pending", ":2F"])), max_size=8)
)
def test_every_set_of_codes_can_be_read_together(chosen: list[tuple[str, str]]) -> None:
    found = read_codes([code + status for code, status in chosen])
    assert {f.code for f in found} == {code for code, _ in chosen}
    for both in (None, BANKS):
        for one in read_together(found, both):
            assert set(one.codes) <= {f.code for f in found} and one.codes and one.says
            assert len(dict(one.supports)) == len(one.supports)


# ---------------------------------------------------------------------------------------------------------- makers' own

OWN = """
schema: tightside/codes/1
codes:
  P1345:
    meaning: crank and cam do not agree
    kind: correlation
    cam: 2A
    supports: {chain_slipped: strong, cam_signal: weak}
"""


def test_makers_own_code_is_read_and_marked() -> None:
    (found,) = read_codes(["P1345"], code_table_from_text(OWN))
    assert (found.standard, found.known, found.cam, found.bank, found.kind) == (False, True, "2A", "2", "correlation")
    assert found.supports == (("chain_slipped", "strong"), ("cam_signal", "weak"))
    assert "cam against crank on both banks" in {
        s.pattern for s in read_together((found, *read_codes(["P0016"])), BANKS)
    }


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("codes: {}", "schema"),
        (OWN.replace("P1345", "PX345"), "no trouble code"),
        (OWN.replace("chain_slipped", "gremlins"), "gremlins"),
        (OWN.replace("strong", "certain"), "supports"),
        (OWN + "    unheard: 1\n", "unheard"),
        ("schema: [", "line"),
        ("", "code table"),
    ],
)
def test_table_that_does_not_fit_is_refused_in_one_line(text: str, says: str) -> None:
    with pytest.raises(DataError, match=says) as error:
        code_table_from_text(text)
    assert "\n" not in str(error.value)


@settings(max_examples=150, deadline=None)
@given(st.one_of(st.text(max_size=80), st.text("schemacodes:/1 \n\t[]{}'\"&*!|>-#%@,P01", max_size=80)))
def test_no_text_breaks_the_table(text: str) -> None:
    with contextlib.suppress(DataError):
        code_table_from_text(text)


def test_missing_table_is_named(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"none\.yaml"):
        read_code_table(tmp_path / "none.yaml")


# ---------------------------------------------------------------------------------------------------- the command line


def test_codes_alone_give_a_result_that_says_what_they_cannot(tmp_path: Path, capsys: Any) -> None:
    table = tmp_path / "own.yaml"
    table.write_text(OWN)
    out = tmp_path / "d.json"
    arguments = ["diagnose", "--codes", "p0016:new,P1345,P0999,P0507", "--code-table", str(table), "--json", str(out)]
    assert main.run(arguments) == 0
    result = json.loads(out.read_text())
    codes = {c["code"]: c for c in result["codes"]}
    assert list(codes) == ["P0016", "P1345", "P0999", "P0507"]
    assert codes["P0016"]["status"] == "new" and "chain_slipped" in codes["P0016"]["supports"]
    assert (codes["P1345"]["standard"], codes["P0999"]["known"]) == (False, False)
    assert result["recordings"] == [] and result["cams"] == []
    text = capsys.readouterr().out
    assert "not a standard code" in text and "unknown here" in text and "throttle and idle air" in text
    assert "not which part did" in text and "cannot say how far a cam is off" in text
    assert result["code_sets"][-1]["pattern"] == "codes alone" and "1A" in result["code_sets"][-1]["says"]


def test_wrong_code_ends_in_one_line(capsys: Any) -> None:
    assert main.run(["diagnose", "--codes", "P9999"]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1 and "P9999" in error
