"""What all readers share: text from disk, the nearest known word, and pydantic's findings as our Problems."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any, NoReturn, TypeVar, get_args

from pydantic import AfterValidator, BaseModel, ConfigDict, ValidationError

from coverage_lab.errors import BadInput, Problem

Value = TypeVar("Value")
Model = TypeVar("Model", bound=BaseModel)

MISSING = "is missing"  # what is said of a key that is not there
_LONGEST_QUOTE = 60
_UNITS_IN_MM = {"metres": 1000.0, "centimetres": 10.0, "inches": 25.4}
_UNITS_IN_M = {"millimetres": 0.001, "centimetres": 0.01}


class MistakeError(ValueError):
    """Raised by a validator: what is wrong, and how to mend it; `absent` names a file that is not there."""

    def __init__(self, wrong: str, mend: str = "", absent: str = "") -> None:
        super().__init__(wrong)
        self.wrong = wrong
        self.mend = mend
        self.absent = absent

    def at(self, path: Path, field: str) -> Problem:
        """Return the problem that this is at a place in a file."""
        return Problem(path, field, self.wrong, self.mend, self.absent)


class Strict(BaseModel):
    """Base of the tables that people write: no unknown keys, no silent conversions, no NaN."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


def quoted(value: object) -> str:
    """Return a value as it is shown in a message: on one line, and not too long."""
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= _LONGEST_QUOTE else text[: _LONGEST_QUOTE - 1] + "…"


def nearest(word: str, known: Iterable[str], likeness: float = 0.6) -> str | None:
    """Return the known word that is most like `word` (difflib ratio of at least `likeness`), or None."""
    by_folded = {name.casefold(): name for name in known}
    found = get_close_matches(word.casefold(), by_folded, n=1, cutoff=likeness)
    return by_folded[found[0]] if found else None


def suggest(word: str, known: Iterable[str], otherwise: str = "") -> str:
    """Return the sentence that mends an unknown word: the nearest known one, else the choice there is."""
    names = list(known)
    near = nearest(word, names)
    if near is not None:
        return f"Perhaps you meant {quoted(near)}"
    return otherwise or (f"Known are {', '.join(names[:20])}" if names else "")


def length_mm(low: float, high: float, zero: bool = False) -> AfterValidator:
    """Validate a length in millimetres whose size lies in [low, high] (or is 0); recognise other units."""
    return AfterValidator(_length_check("mm", low, high, zero, _UNITS_IN_MM))


def length_m(low: float, high: float, zero: bool = False) -> AfterValidator:
    """Validate a length in metres whose size lies in [low, high] (or is 0); recognise other units."""
    return AfterValidator(_length_check("m", low, high, zero, _UNITS_IN_M))


def _length_check(
    unit: str, low: float, high: float, zero: bool, others: Mapping[str, float]
) -> Callable[[float], float]:
    def check(value: float) -> float:
        if low <= abs(value) <= high or (zero and value == 0):
            return value
        guesses = {name: value * size for name, size in others.items() if low <= abs(value * size) <= high}
        if guesses:
            # One decimal is finer than anyone measures a robot; more would only look like a typing error.
            numbers = " or ".join(f"{round(guess, 1 if unit == 'mm' else 4):g}" for guess in guesses.values())
            raise MistakeError(
                f"{value:g} {unit} is out of range and looks like {' or '.join(guesses)}",
                f"Write {numbers}: the unit is {unit}",
            )
        raise MistakeError(
            f"{value:g} {unit} is out of range",
            f"Give {low:g} to {high:g} {unit}{', or 0' if zero else ''}",
        )

    return check


def read_text(path: Path, mend_missing: str) -> str:
    """Return a text file's content (UTF-8, with or without byte order mark). Raises BadInput."""
    try:
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise BadInput(Problem(path, "", "there is no such file", mend_missing, absent=path.name)) from None
    except UnicodeDecodeError as error:
        raise BadInput(Problem(path, f"byte {error.start}", "is not UTF-8 text", "Save the file as UTF-8")) from None
    except OSError as error:
        raise BadInput(Problem(path, "", f"cannot be read: {error.strerror}", "Check its access rights")) from None


def read_toml(path: Path, mend_missing: str) -> dict[str, Any]:
    """Return a TOML file's tables. Raises BadInput with the line of a syntax error."""
    text = read_text(path, mend_missing)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        what, place = re.fullmatch(r"(.*?)(?: \(at (.*)\))?", str(error), re.DOTALL).groups()  # type: ignore[union-attr]
        wrong = f"is not TOML: {what[:1].lower()}{what[1:]}"
        raise BadInput(Problem(path, place or "", wrong, "Correct it there or on the line before")) from None


def read_json(path: Path, mend_missing: str) -> Any:
    """Return a JSON file's content. Raises BadInput with the line of a syntax error; NaN is one."""
    text = read_text(path, mend_missing)
    try:
        return json.loads(text, parse_constant=_no_constant)
    except json.JSONDecodeError as error:
        place = f"line {error.lineno}, column {error.colno}"
        wrong = f"is not JSON: {error.msg[:1].lower()}{error.msg[1:]}"
    except ValueError as error:
        place, wrong = "", f"is not JSON: {error}"
    except RecursionError:
        place, wrong = "", "is nested too deeply"
    raise BadInput(Problem(path, place, wrong, "Write the file again, or correct it there"))


def _no_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is not a number")


def attempt(path: Path, place: str, found: list[Problem], action: Callable[[], Value]) -> Value | None:
    """Return what `action` gives; None, and a Problem at `place` added to `found`, at a MistakeError."""
    try:
        return action()
    except MistakeError as mistake:
        found.append(mistake.at(path, place))
        return None


def check(model: type[Model], data: object, path: Path, prefix: str, found: list[Problem]) -> Model | None:
    """Return `data` as a `model`; None, and a Problem for each mistake added to `found`, where it is not one.

    `prefix` is put before each field's name.
    """
    try:
        return model.model_validate(data)
    except ValidationError as error:
        found.extend(_problem(dict(detail), path, model, prefix) for detail in error.errors())
        return None


def _problem(detail: dict[str, Any], path: Path, model: type[BaseModel], prefix: str) -> Problem:
    place = detail["loc"]
    wrong, mend = _words(detail, known_keys(model, place[:-1]))
    return Problem(path, field_name(place, prefix), wrong, mend)


def field_name(place: Iterable[str | int], prefix: str = "") -> str:
    """Return a place in nested tables as people read it; list entries are counted from 1."""
    name = prefix
    for part in place:
        name += f"#{part + 1}" if isinstance(part, int) else f"{'.' if name and name[-1] != ' ' else ''}{part}"
    return name


def known_keys(model: type[BaseModel], place: Iterable[str | int]) -> list[str]:
    """Return the keys that a table at `place` below `model` may have."""
    for part in place:
        if isinstance(part, str):
            fields = {field.alias or name: field for name, field in model.model_fields.items()}
            inner = _model_in(fields[part].annotation) if part in fields else None
            if inner is None:
                return []
            model = inner
    return [field.alias or name for name, field in model.model_fields.items()]


def _model_in(annotation: object) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for inner in get_args(annotation) if (found := _model_in(inner))), None)


def _words(detail: dict[str, Any], known: list[str]) -> tuple[str, str]:
    """Return what is wrong and how to mend it, for one of pydantic's findings."""
    context = detail.get("ctx", {})
    if isinstance(context.get("error"), MistakeError):
        return context["error"].wrong, context["error"].mend
    kind, value = detail["type"], detail["input"]
    if kind == "missing":
        return MISSING, "Add it"
    if kind == "extra_forbidden":
        return "is not a known key", suggest(str(detail["loc"][-1]), known)
    if kind == "literal_error":
        choice = [name.strip("'") for name in re.split(", | or ", context["expected"])]
        return f"{quoted(value)} is not known", suggest(str(value), choice)
    if kind in ("float_type", "float_parsing", "finite_number"):
        return f"{quoted(value)} is not a number", "Write a plain number, without quotes and unit"
    if kind in ("int_type", "int_parsing", "int_from_float"):
        return f"{quoted(value)} is not a whole number", "Write a whole number, without quotes"
    if kind == "string_type":
        return f"{quoted(value)} is not text", "Put it in quotes"
    if kind in ("model_type", "model_attributes_type", "dict_type"):
        return f"{quoted(value)} is not a table", "Give it as a table of keys and values"
    if kind in ("too_short", "too_long"):
        few, wanted = kind == "too_short", context.get("min_length", context.get("max_length"))
        limit = f"at {'least' if few else 'most'} {wanted}"
        return f"{quoted(value)} has {context['actual_length']} entries", f"Give {limit}"
    return f"{quoted(value)} does not fit: {detail['msg'][:1].lower()}{detail['msg'][1:]}", "Correct it"
