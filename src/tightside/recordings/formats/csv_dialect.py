"""How a text file writes its table: encoding, delimiter, decimal mark, where the rows start, what heads them."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import islice

from tightside.recordings.headings import find_unit
from tightside.recordings.tables import nameless

BODY_LINES = 60  # lines at the end of what was looked at; there the table is most likely itself
DELIMITERS = ",;\t| "  # a blank stands for any run of blanks
COMMENT_MARKS = ("#", "%", "//", "!", "'", "*", "--")
MISSING = frozenset(
    (
        "",
        "-",
        "--",
        "---",
        "na",
        "n/a",
        "nan",
        "null",
        "none",
        "nil",
        "#n/a",
        "?",
        "*",
        "no data",
        "nodata",
        ".",
        "#value!",
        "ol",
        "o.l",
        "o.l.",
        "ovl",
        "over",
        "overflow",
        "overload",
        "overrange",
        "err",
        "error",
        "invalid",
        "∞",
        "-∞",
        "#div/0!",
    )
)
LOGIC_WORDS = dict.fromkeys(("true", "high", "on", "yes", "h"), 1.0) | dict.fromkeys(
    ("false", "low", "off", "no", "l"), 0.0
)

_NUMBER = {
    ".": re.compile(
        r"[+-]?(?:\d+\.?\d*|\.\d+|[1-9]\d{0,2}(?:,\d{3})+(?:\.\d*)?)(?:[eE][+-]?\d+)?|[+-]?(?:nan|inf)|0x[0-9a-f]+",
        re.IGNORECASE,
    ),
    ",": re.compile(
        r"[+-]?(?:\d+[.,]?\d*|[.,]\d+|\d{1,3}(?:\.\d{3})+(?:,\d*)?)(?:[eE][+-]?\d+)?|[+-]?(?:nan|inf)|0x[0-9a-f]+",
        re.IGNORECASE,
    ),
}
_QUANTITY = re.compile(
    r"(?P<number>[+-]?[\d.,]+(?:[eE][+-]?\d+)?)\s*(?P<unit>[^\W\d_][\w/%°²³^()-]{0,8}|[%°µ][\w/]{0,4})"
)
CLOCK = re.compile(r"(?:(?:\d{1,3}:)?\d{1,3}:\d{1,2}(?:[.,]\d+)?|\d{1,2}:\d{2}:\d{2}:\d{1,6})(?:\s*[AaPp]\.?[Mm]\.?)?")
DATE = re.compile(r"(?:\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.](?:\d{1,2}|[A-Za-z]{3})[-/.]\d{4})")
STAMP = re.compile(
    DATE.pattern + r"[T ]\s*\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?(?:\s*[AaPp][Mm])?(?:Z|[+-]\d{2}:?\d{2})?"
)
_CONTROLS = bytes((*range(9), *range(14, 26), *range(27, 32)))
_CONTROL = re.compile(f"[{re.escape(_CONTROLS.decode())}]")
SPELLED_STAMP = re.compile(r"[A-Z][a-z]{2} [A-Z][a-z]{2} +\d{1,2} \d{2}:\d{2}:\d{2}(?:[.,]\d+)?(?: \S{1,9})? \d{4}")
_RATE = re.compile(
    r"sampl\w*[\s_]*(?:rate|freq\w*)[^\d\n]{0,20}?(\d[\d.,]*(?:e[+-]?\d+)?)\s*([kM]?)\s*(?:hz|s/s|sps|samples)",
    re.IGNORECASE,
)
_INTERVAL = re.compile(
    r"(?:sampl\w*|time)[\s_]*(?:interval|period|increment|step)\s*(?:[(\[]\s*(?P<before>[nuµm]?s)\s*[)\]])?"
    r"[^\d\n]{0,20}?(?P<number>\d[\d.,]*(?:e[+-]?\d+)?)(?:\W{0,3}(?P<after>[nuµm]?s)\b)?",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class Dialect:
    """How the table is written. ``first_line`` is the 0-based line of the first row of numbers."""

    encoding: str
    newline: str
    delimiter: str
    decimal: str
    first_line: int
    headings: tuple[str, ...]  # one per column; "column N" where there is none
    units: tuple[str, ...]  # from a row of units below the headings
    spelled: tuple[str, ...]  # per column: number, quantity, clock, stamp, date, logic, text, empty
    headed: bool
    rate_hz: float | None = None
    trimmed: bool = False  # blanks stand beside the cells, or marks between their thousands: to be read as text

    @property
    def width(self) -> int:
        """Number of columns."""
        return len(self.spelled)


def decode_head(head: bytes) -> tuple[str, str] | None:
    """Encoding and text of the first bytes; None if they are no text.

    Without a mark, bytes that are no UTF-8 are Latin-1 (every byte is a letter there, so control characters tell).
    """
    for mark, encoding in (
        (b"\xef\xbb\xbf", "utf-8-sig"),
        (b"\xff\xfe\x00\x00", "utf-32"),
        (b"\xff\xfe", "utf-16"),
        (b"\xfe\xff", "utf-16"),
    ):
        if head.startswith(mark):
            return _checked(encoding, head)
    if len(head) > 3 and head[:400].count(b"\x00") > len(head[:400]) // 4:
        return _checked("utf-16-le" if head[1:2] == b"\x00" else "utf-16-be", head)
    return _checked("utf-8", head) or _checked("cp1252", head) or _checked("latin-1", head)


def _checked(encoding: str, head: bytes) -> tuple[str, str] | None:
    cut = (
        len(head) - len(head) % 4
        if encoding.startswith("utf-32")
        else len(head) - len(head) % 2
        if "16" in encoding
        else len(head)
    )
    try:
        text = head[:cut].decode(encoding, errors="strict")
    except UnicodeDecodeError as problem:
        if problem.start < cut - 4:
            return None
        text = head[: problem.start].decode(encoding, errors="ignore")
    strange = text.count("\ufffd") + _control_count(text)
    return (encoding, text) if strange <= len(text) // 500 else None


def _control_count(text: str) -> int:
    """Control characters that no text file holds."""
    if text.isascii():
        plain = text.encode("ascii")
        return len(plain) - len(plain.translate(None, _CONTROLS))
    return len(_CONTROL.findall(text))


def lines_of(text: str, whole: bool) -> tuple[list[str], str]:
    """Complete lines and what ends them. The last, cut one is left out unless the text is the whole file."""
    newline = "\n" if "\n" in text else "\r" if "\r" in text else "\n"
    lines = text.split(newline)
    if lines and (not whole or not lines[-1].strip()):
        cut = lines.pop()
        if not lines and cut.strip():
            lines = [cut]
    return [line.rstrip("\r") for line in lines] if "\r" in text else lines, newline


def cells_of(line: str, delimiter: str) -> list[str]:
    """Cells of one line, blanks and quotes taken off.

    >>> cells_of(' 0.1 ; "a;b";', ";")
    ['0.1', 'a;b', '']
    """
    if delimiter == " ":
        return line.split()
    if '"' in line:
        try:
            return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))]
        except (csv.Error, StopIteration):
            return [line]
    return [cell.strip() for cell in line.split(delimiter)]


def spelling(cell: str, decimal: str) -> str:
    """What a cell is: number, quantity (number and unit), clock, stamp (date and clock), date, logic, empty or text."""
    if cell.casefold() in MISSING and cell != ".":
        return "empty"
    if _NUMBER[decimal].fullmatch(cell):
        return "number"
    if ":" in cell:
        if CLOCK.fullmatch(cell):
            return "clock"
        return "stamp" if STAMP.fullmatch(cell) or SPELLED_STAMP.fullmatch(cell) else "text"
    if DATE.fullmatch(cell):
        return "date"
    quantity = _QUANTITY.fullmatch(cell)
    if (
        quantity
        and _NUMBER[decimal].fullmatch(quantity["number"])
        and (find_unit(quantity["unit"]) or "/" in quantity["unit"])
    ):
        return "quantity"
    return "logic" if cell.casefold() in LOGIC_WORDS else "text"


_TELLING = frozenset(("number", "quantity", "clock", "stamp"))


@lru_cache(maxsize=1)  # asked twice in a row: by the sniff, and by the read
def find_dialect(head: bytes, whole: bool) -> Dialect | str:
    """The dialect of the table in these first bytes, or the reason why there is none."""
    decoded = decode_head(head)
    if decoded is None:
        return "not text"
    encoding, text = decoded
    lines, newline = lines_of(text.removeprefix("\ufeff"), whole)
    if len(lines) > 20000:
        lines = lines[:20000]
    ends = (line for line in reversed(lines) if line.strip() and not _is_comment(line))
    last = list(islice(ends, BODY_LINES))[::-1]
    best = _best_split(last)
    if best is None:
        return f"no rows of numbers in the first {len(lines)} lines"
    delimiter, decimal, width = best
    body = [cells_of(line, delimiter) for line in last]
    spelled = _spellings([cells for cells in body if len(cells) <= width], width, decimal)
    first = _first_row(lines, delimiter, decimal, spelled)
    if first is None:
        return "no rows of numbers"
    names, units = _headings(lines[:first], delimiter, spelled)
    return Dialect(
        encoding=encoding,
        newline=newline,
        delimiter=delimiter,
        decimal=decimal,
        first_line=first,
        headings=tuple(_unique([name or nameless(i) for i, name in enumerate(names, 1)])),
        units=units,
        spelled=spelled,
        headed=any(names),
        rate_hz=_rate(lines[:first]),
        trimmed=delimiter != " "
        and (
            any(re.search(rf"[ \t]{re.escape(delimiter)}|[ \t]$", line) for line in last)
            or (decimal == "," and any(_GROUPED["."].fullmatch(cell) for cells in body for cell in cells))
        ),
    )


def _is_comment(line: str) -> bool:
    text = line.lstrip()
    return text.startswith(COMMENT_MARKS) and not re.match(r"--?[\d.]", text)


def _best_split(lines: Sequence[str]) -> tuple[str, str, int] | None:
    """Delimiter, decimal mark and width under which most cells are numbers in rows of one width."""
    best, result = 0.25, None
    commas = any("," in line for line in lines)
    for delimiter in DELIMITERS:
        rows = [cells_of(line, delimiter) for line in lines]
        if delimiter != "," and not any(len(row) > 1 for row in rows):
            continue
        for decimal in _decimals(rows, delimiter) if commas else ".":
            if decimal == "," and delimiter == "," and not any('"' in line for line in lines):
                continue
            score, width = _score(rows, decimal)
            if score > best + 0.005:
                best, result = score, (delimiter, decimal, width)
    return result


_MAYBE_NUMBER = re.compile(r"(?P<number>[+-]?[\d.,]+(?:[eE][+-]?\d+)?)[^\d:]*")
_GROUPED = {mark: re.compile(rf"[+-]?[1-9]\d{{0,2}}(?:\{mark}\d{{3}})+") for mark in ".,"}  # 1,234,567
_DECIMAL = {
    mark: re.compile(rf"[+-]?\d*\{mark}\d+(?:[eE][+-]?\d+)?|[+-]?\d{{1,3}}(?:\{other}\d{{3}})+\{mark}\d+")
    for mark, other in (".,", ",.")
}


def _decimals(rows: list[list[str]], delimiter: str) -> str:
    """Decimal marks to try, the likelier first: what cannot be thousands taken apart (1,234) is a decimal mark.

    >>> _decimals([["1.5", "2,500"]], ";"), _decimals([["2,500"]], ";"), _decimals([["1.500", "0,5"]], ";")
    ('.', ',.', ',')
    """
    if not any("," in cell for row in rows for cell in row):
        return "."
    cells = {found["number"] for row in rows for cell in row if (found := _MAYBE_NUMBER.fullmatch(cell))}
    proven = [
        any(_DECIMAL[mark].fullmatch(cell) and not _GROUPED[mark].fullmatch(cell) for cell in cells) for mark in ".,"
    ]
    if proven[0] != proven[1]:
        return "." if proven[0] else ","
    return ".," if proven[0] or delimiter == "," else ",."


def _score(rows: list[list[str]], decimal: str) -> tuple[float, int]:
    spelled = [[spelling(cell, decimal) for cell in row] for row in rows]
    numeric = [row for row in spelled if any(cell in _TELLING for cell in row)]
    if not numeric:
        return 0.0, 0
    width, alike = Counter(map(len, numeric)).most_common(1)[0]
    filled = sum(cell != "empty" for row in numeric for cell in row)
    telling = sum(cell in _TELLING or cell in ("logic", "date") for row in numeric for cell in row)
    several = 0.02 if width > 1 else 0.0
    longest = max(map(len, numeric))
    ragged = 0.9 if alike < 0.5 * len(numeric) else 1.0
    return ragged * telling / filled * (len(numeric) / len(rows)) ** 0.5 + several, longest


def _spellings(body: list[list[str]], width: int, decimal: str) -> tuple[str, ...]:
    kinds = []
    for i in range(width):
        found = Counter(spelling(row[i], decimal) for row in body if i < len(row))
        found.pop("empty", None)
        if not found:
            kinds.append("empty")
            continue
        common, count = found.most_common(1)[0]
        if common == "text" and sum(found.values()) > count and len(body) > 3 and found["number"] > 0.3 * count:
            common = "number"
        kinds.append("quantity" if common == "number" and found["quantity"] else common)
    return tuple(kinds)


def _first_row(lines: Sequence[str], delimiter: str, decimal: str, spelled: tuple[str, ...]) -> int | None:
    """The first line whose cells are what their columns are further down."""
    columns = [i for i, kind in enumerate(spelled) if kind not in ("text", "empty")]
    for number, line in enumerate(lines):
        if not line.strip() or _is_comment(line):
            continue
        cells = cells_of(line, delimiter)
        here = {i: spelling(cells[i], decimal) for i in columns if i < len(cells)}
        filled = [kind for kind in here.values() if kind != "empty"]
        if not filled or "text" in filled or (len(cells) == 1 and len(columns) > 1):
            continue
        if all(_fits(kind, spelled[i]) for i, kind in here.items() if kind != "empty") and 2 * len(filled) >= len(
            columns
        ) - 6 * (number > 0):
            return number
    return None


def _fits(kind: str, column: str) -> bool:
    loose = {"number", "quantity", "logic"}
    return kind == column or (kind in loose and column in loose and not (column == "number" and kind == "logic"))


def _headings(above: Sequence[str], delimiter: str, spelled: tuple[str, ...]) -> tuple[list[str], tuple[str, ...]]:
    """Names of the columns and their units, from the lines above the first row."""
    width = len(spelled)
    rows = [cells for line in above[-8:] if line.strip() and (cells := _heading_cells(line, delimiter, width))]
    blank = ("",) * width
    if not rows:
        return list(blank), blank
    if _is_units_row(rows[-1]):
        units = tuple(cell.strip("[](){} ") for cell in _shifted(rows[-1], spelled))
        return (_shifted(rows[-2], spelled) if len(rows) > 1 else list(blank)), units
    return _shifted(rows[-1], spelled), blank


def _heading_cells(line: str, delimiter: str, width: int) -> list[str] | None:
    text = line.strip() if delimiter == " " else line
    if _is_comment(text) or (delimiter != ";" and text.lstrip().startswith(";")):
        text = text.lstrip().lstrip("".join(COMMENT_MARKS) + ";").lstrip()
        text = re.sub(r"^[^,;\t]*?:\s+", "", text)  # "Channels: crank, cam"
    cells = cells_of(text, delimiter)
    if delimiter == " " and len(cells) != width:
        cells = next((c for c in (re.split(r"\s{2,}|\t|,|;", text), _joined_units(cells)) if len(c) == width), cells)
    if width == 1 and delimiter == "," and len(cells) > 1:
        cells = [text.strip()]
    near = abs(len(cells) - width) <= 1 or (len(cells) < width and len(cells) > width // 2)
    return cells if near and (len(cells) > 1 or width <= 2) and any(cells) else None


def _joined_units(cells: list[str]) -> list[str]:
    joined: list[str] = []
    for cell in cells:
        if joined and cell[:1] in "[(" and cell[:1]:
            joined[-1] += " " + cell
        else:
            joined.append(cell)
    return joined


def _shifted(cells: list[str], spelled: tuple[str, ...]) -> list[str]:
    """Headings brought to the table's width; one too few over a full table: the first column has no name."""
    missing = len(spelled) - len(cells)
    if missing == 1 and spelled[-1] != "empty" and len(cells) > 1 and spelled[0] in ("text", "number"):
        return ["", *cells]
    return [*cells, *[""] * missing][: len(spelled)]


def _is_units_row(cells: Sequence[str]) -> bool:
    filled = [cell for cell in cells if cell.strip("[](){}<> -")]
    return bool(filled) and all(find_unit(cell) or (cell[:1] in "[(" and cell[-1:] in "])") for cell in filled)


def _unique(names: Sequence[str]) -> list[str]:
    seen: Counter[str] = Counter()
    done = []
    for name in names:
        seen[name] += 1
        done.append(name if seen[name] == 1 else f"{name} ({seen[name]})")
    return done


def _rate(above: Sequence[str]) -> float | None:
    """Sample rate that a line above the table states."""
    text = "\n".join(above)
    rate = _RATE.search(text)
    if rate:
        number = _plain(rate[1])
        return number * {"": 1.0, "k": 1e3, "K": 1e3, "M": 1e6}.get(rate[2], 1.0) if number else None
    interval = _INTERVAL.search(text)
    unit = find_unit(interval["before"] or interval["after"] or "s") if interval else None
    number = _plain(interval["number"]) if interval else None
    return 1 / (number * unit.factor) if number and unit else None


def _plain(text: str) -> float | None:
    try:
        return float(text.rstrip(",.").replace(",", ".")) or None
    except ValueError:
        return None
