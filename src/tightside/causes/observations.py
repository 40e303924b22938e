"""What the technician sees, hears, smells and is told: a short list in YAML, and results of tests he has done.

Every entry may be left out. What is left out is unknown, which is not the same as "no". ``docs/causes.md`` shows a
whole file.
"""

from __future__ import annotations

from pathlib import Path
from typing import IO, Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from tightside.causes.tools import TOOLS
from tightside.errors import DataError, UsageError
from tightside.yaml_text import data_from_yaml, first_complaint

SCHEMA: Literal["tightside/observations/1"] = "tightside/observations/1"
MAX_BYTES = 200_000

Positive = Annotated[float, Field(ge=0, allow_inf_nan=False)]
YesNo = bool | None
CamName = Annotated[str, Field(pattern=r"^[1-9][AB]$")]
BankName = Annotated[str, Field(pattern=r"^[1-9]$")]


class Group(BaseModel):
    """Base of every group of entries: frozen, and strict about names so that a slip of the pen is not lost."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Oil(Group):
    """The oil: how much, how good, and what swims in it."""

    level: Literal["ok", "low", "over"] | None = None
    pressure: Literal["ok", "low"] | None = None
    pressure_kpa: Positive | None = None  # gauge, warm, at idle
    condition: Literal["good", "dirty", "sludge", "wrong grade"] | None = None
    since_change_km: Positive | None = None
    leak_at_cover: YesNo = None
    metal: YesNo = None
    plastic: YesNo = None


class Results(Group):
    """Results of the tests that are proposed, by camshaft ("1A") or bank ("1"); true where it is so."""

    marks_off: dict[CamName, bool] = Field(default_factory=dict)
    cam_turns: dict[CamName, bool] = Field(default_factory=dict)
    chain_slack: dict[BankName, bool] = Field(default_factory=dict)
    sensor_swap_moves_trouble: dict[CamName, bool] = Field(default_factory=dict)
    sensor_circuit_bad: dict[CamName, bool] = Field(default_factory=dict)
    crank_circuit_bad: YesNo = None
    oil_valve_bad: dict[CamName, bool] = Field(default_factory=dict)
    phaser_follows: dict[CamName, bool] = Field(default_factory=dict)
    phaser_play: dict[CamName, bool] = Field(default_factory=dict)
    data_differs: YesNo = None
    sensor_wheel_turned: dict[CamName, bool] = Field(default_factory=dict)


class Observations(Group):
    """Everything that was observed of one vehicle."""

    schema_: Literal["tightside/observations/1"] = Field(default=SCHEMA, alias="schema")
    cams: tuple[CamName, ...] = ()  # which there are, where no engine file and no recording says so
    phasers: tuple[CamName, ...] | None = None  # which of them have a phaser; left out: all
    complaint: YesNo = None  # left out: yes, where there are codes or anything else is observed
    mileage_km: Positive | None = None
    mileage_miles: Positive | None = None
    starts: YesNo = None
    failed: Literal["suddenly", "gradually"] | None = None
    cold_rattle_s: Positive | None = None  # 0: none
    drive_noise: YesNo = None
    oil: Oil = Oil()
    recent_work: tuple[Literal["none", "timing", "sensors", "oil change", "engine", "other"], ...] | None = None
    compression_kpa: dict[int, Positive] = Field(default_factory=dict)  # gauge, by cylinder
    leak_down_percent: dict[int, Positive] = Field(default_factory=dict)  # by cylinder
    bank_of_cylinder: dict[int, BankName] = Field(default_factory=dict)  # where no engine file says so
    codes_read: YesNo = None  # true: all codes were read, so what is not listed is not stored
    results: Results = Results()
    tools: tuple[str, ...] | None = None  # what the shop has; left out: everything

    @model_validator(mode="before")
    @classmethod
    def _empty_groups(cls, values: Any) -> Any:
        """A heading with nothing under it is the same as none."""
        if isinstance(values, dict):
            return {k: v for k, v in values.items() if v is not None}
        return values

    @model_validator(mode="after")
    def _fits(self) -> Observations:
        if self.recent_work and "none" in self.recent_work and len(self.recent_work) > 1:
            raise ValueError("recent_work is 'none' and something else")
        if self.mileage_km is not None and self.mileage_miles is not None:
            raise ValueError("mileage is given twice, in km and in miles")
        unknown = sorted(set(self.tools or ()) - set(TOOLS))
        if unknown:
            raise ValueError(f"unknown tool {unknown[0]!r}; known are {', '.join(TOOLS)}")
        return self

    @property
    def distance_km(self) -> float | None:
        """Mileage in kilometres; a statute mile is 1.609344 km (international yard and pound agreement, 1959)."""
        return self.mileage_miles * 1.609344 if self.mileage_miles is not None else self.mileage_km

    @property
    def any_given(self) -> bool:
        """Whether anything at all is said."""
        return bool(self.model_fields_set - {"schema_"})


MEND = {
    "extra_forbidden": "Take it out, or write it as docs/causes.md does",
    "bool_parsing": "Write yes or no, or leave it out where it is not known",
    "bool_type": "Write yes or no, or leave it out where it is not known",
    "float_parsing": "Write a number without a unit, such as 4.5",
    "float_type": "Write a number without a unit, such as 4.5",
    "int_parsing": "Name the cylinder by its number",
    "tuple_type": "Write a list in square brackets, such as [timing, sensors]",
    "dict_type": "Write one 'name: value' line for each, indented below it",
    "model_type": "Write the entries indented below it",
    "string_pattern_mismatch": "Name a camshaft by bank and letter, as in 1A, and a bank by its number",
    "greater_than_equal": "Write 0 or more",
}


def read_observations(source: str | Path | IO[str] | IO[bytes]) -> Observations:
    """Read a file of observations.

    Raises
    ------
    UsageError
        No such file.
    DataError
        Not YAML, or an entry that does not fit; the sentence names file, line, entry and mend.
    """
    if isinstance(source, str | Path):
        path = Path(source)
        if not path.is_file():
            raise UsageError(
                code="no-observations", what=f"no observations file {path}", hint="docs/causes.md shows one"
            )
        with path.open("rb") as stream:
            return observations_from_text(_decoded(stream.read(MAX_BYTES + 1), path.name), path.name)
    raw = source.read(MAX_BYTES + 1)
    file = str(getattr(source, "name", "observations"))
    return observations_from_text(raw if isinstance(raw, str) else _decoded(raw, file), file)


def _decoded(raw: bytes, file: str) -> str:
    if len(raw) > MAX_BYTES:
        raise DataError(code="observations", what=f"{file} is over 200 kB, too large for a list of observations")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise DataError(
            code="observations", what=f"{file} line 1: this is not UTF-8 text", hint="Give the YAML list"
        ) from None


def observations_from_text(text: str, file: str = "observations") -> Observations:
    """Observations from YAML text; ``file`` is the name that errors carry."""
    data = data_from_yaml(text, file, "observations")
    if data is None:
        return Observations()
    if not isinstance(data, dict):
        raise DataError(
            code="observations",
            what=f"{file} line 1: observations are a group of 'entry: value' lines, this is not",
            hint="Begin with a line such as 'cold_rattle_s: 4'",
        )
    try:
        return Observations.model_validate(_plain(data))
    except ValidationError as error:
        raise first_complaint((_problem(e, data) for e in error.errors()), file, "observations") from None


#: groups whose keys are banks or cylinders, which YAML reads as numbers
NUMBERED = ("chain_slack", "bank_of_cylinder")


def _plain(node: Any, under: str = "") -> Any:
    if isinstance(node, dict):
        return {
            (str(k) if under == "chain_slack" else k): (str(v) if under == "bank_of_cylinder" else _plain(v, str(k)))
            for k, v in node.items()
        }
    if isinstance(node, list):
        return [_plain(value) for value in node]
    return node


def _problem(entry: Any, data: Any) -> tuple[int, str, str, str]:
    keys, line = _place([k for k in entry["loc"] if k != "[key]"], data)
    message = entry["msg"].removeprefix("Value error, ").removeprefix("Input ")
    what = "there is no such entry" if entry["type"] == "extra_forbidden" else message[:1].lower() + message[1:]
    value = entry.get("input")
    if entry["type"] not in ("extra_forbidden", "value_error") and isinstance(value, str | int | float):
        what += f", got {value!r}"
    return line, ".".join(keys), what, MEND.get(entry["type"], "docs/causes.md lists what may stand here")


def _place(loc: list[Any], data: Any) -> tuple[list[str], int]:
    """The names along a location, and the line on which it stands."""
    node: Any = data
    line = 1
    names: list[str] = []
    for key in loc:
        lines: Any = getattr(node, "lc", None)
        if isinstance(node, dict):
            found = next((k for k in node if str(k) == str(key) or (str(key) == "schema_" and k == "schema")), None)
            if found is None:
                break
            line = int(lines.key(found)[0]) + 1
            names.append(str(found))
            node = node[found]
        elif isinstance(node, list) and isinstance(key, int) and key < len(node):
            line = int(lines.item(key)[0]) + 1
            names.append(str(key + 1))
            node = node[key]
    return names, line
