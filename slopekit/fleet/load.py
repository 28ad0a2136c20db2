"""Read a fleet file. Whatever is wrong with it comes out as one sentence that a grounds manager can act on."""

import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import date
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from slopekit.errors import InputError
from slopekit.fleet.model import Condition, Fleet, Limits, Machine, WrittenException, nearest
from slopekit.fleet.template import template_text

# Which model reads the table at a key path; '*' is any id.
_MODEL_AT: list[tuple[tuple[str, ...], type[BaseModel]]] = [
    ((), Fleet),
    (("conditions", "*"), Condition),
    (("machines", "*"), Machine),
    (("machines", "*", "limits", "*"), Limits),
    (("machines", "*", "above_hazard_exception"), WrittenException),
]

# Of a model, and of a dataclass.
_UNKNOWN_KEY = ("extra_forbidden", "unexpected_keyword_argument")

_RATIO = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(?::|/|in|to)\s*(\d+(?:\.\d+)?)\s*", re.IGNORECASE)
_PERCENT = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(?:%|percent|per cent)\s*", re.IGNORECASE)


def load_fleet(path: str | Path) -> Fleet:
    """The fleet of a TOML file.

    Raises InputError for a file that cannot be read, is not UTF-8 or not TOML, and for any key, value or id that the
    fleet file cannot have; the message names file, key path, value and fix.
    """
    path = Path(path)
    data = _parse(path, _read(path))
    try:
        return Fleet.model_validate(data)
    except ValidationError as error:
        raise InputError(f"{path}: {_sentence(error)}.") from None


def blank_fleet() -> Fleet:
    """The fleet of the template: default settings, and machines without limits, which permits nothing."""
    return Fleet.model_validate(tomllib.loads(template_text()))


def _read(path: Path) -> str:
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raise InputError(
            f"{path}: there is no such fleet file; check the name, or write one with 'slopekit fleet new {path}'."
        ) from None
    except OSError as error:
        raise InputError(f"{path}: the fleet file cannot be read ({error.strerror}); name a readable file.") from None
    try:
        # Some editors put a byte order mark first.
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise InputError(
            f"{path}: byte 0x{raw[error.start]:02x} in line {line} is not UTF-8 text; save the fleet file as UTF-8."
        ) from None


def _parse(path: Path, text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path}: {_toml_sentence(str(error), text)}.") from None


def _toml_sentence(message: str, text: str) -> str:
    place = re.search(r"\s*\(at line (\d+), column \d+\)", message)
    if not place:
        return f"the fleet file is not TOML ({message}); correct it, or start from 'slopekit fleet new FILE'"
    lines = text.splitlines()
    number = int(place.group(1))
    line = _short(lines[number - 1]) if number <= len(lines) else ""
    key, equals, value = line.partition("=")
    typed = value.partition("#")[0].strip()
    if equals and not typed:
        fix = f"type a value after '{key.strip()} =', or put # in front of the line to leave it absent"
    elif equals and key.strip().endswith("_deg"):
        fix = _degrees_hint(typed) or "type plain degrees, such as 12.5"
    else:
        fix = f"correct the line: {_as_clause(message.replace(place.group(0), ''))}"
    return f"line {number} '{line}' is not TOML; {fix}"


def _as_clause(text: str) -> str:
    """A library's message, so that it can stand inside our one sentence."""
    text = text.strip().rstrip(".")
    return text[:1].lower() + text[1:]


def _sentence(error: ValidationError) -> str:
    # A misspelt key also makes the right key missing, and a wrong class leaves the operator open: such followers are
    # not named, since the user can see and correct only what was typed.
    found = error.errors()
    misspelt = {one["loc"][:-1] for one in found if one["type"] in _UNKNOWN_KEY}
    errors = [one for one in found if one["type"] in _UNKNOWN_KEY]
    for one in found:
        follows = one["type"] == "missing" and (one["loc"][:-1] in misspelt or one["loc"][-1] == "operator")
        if one["type"] not in _UNKNOWN_KEY and not follows:
            errors.append(one)
    more = len(errors) - 1
    tail = f" ({more} more {'thing' if more == 1 else 'things'} to correct after this)" if more else ""
    return _one(errors[0]) + tail


def _one(error: Any) -> str:
    kind, value, context = error["type"], error["input"], error.get("ctx", {})
    loc = [str(part) for part in error["loc"]]
    path = _path(loc)
    if kind == "fleet_rule":
        path = ".".join([*([path] if loc else []), context["key"]])
        shown = "" if context["value"] is None else f" = {_shown(context['value'])}"
        return f"{path}{shown} {context['fix']}"
    if loc and loc[-1] == "[key]":
        return f"{_path(loc[:-1])} {_id_fix(loc[0])}"
    if kind in _UNKNOWN_KEY:
        return _unknown_key(loc, value)
    if kind == "missing":
        return f"{path} is missing: {_missing_fix(loc)}"
    if kind == "too_short":
        return f"{path} is empty: add a table such as [{_heading(loc[-1])}]"
    return f"{path} = {_shown(value)} {_fix(kind, loc, value, context)}"


def _path(loc: list[str]) -> str:
    return ".".join(part if re.fullmatch(r"[A-Za-z0-9_-]+", part) else f'"{_short(part)}"' for part in loc)


def _short(text: str) -> str:
    """The text on one line and short enough for a sentence."""
    text = " ".join(text.split())
    return text if len(text) <= 60 else text[:57] + "..."


def _id_fix(table: str) -> str:
    if table == "conditions":
        return "is not a condition id: use lower-case letters a to z, digits and _ only, at most 40, such as wet"
    return "is not a machine id: use letters a to z, digits, - and _ only, at most 40, such as m1"


def _unknown_key(loc: list[str], value: object) -> str:
    known = _known_keys(loc[:-1])
    like = nearest(loc[-1], known)
    typed = "is not a table" if isinstance(value, Mapping) else f"= {_shown(value)} is not a key"
    hint = f"the nearest known one is '{like}'" if like else f"known here are {', '.join(known)}"
    return f"{_path(loc)} {typed} of the fleet file: {hint}"


def _known_keys(loc: list[str]) -> list[str]:
    if len(loc) == 1 and loc[0] in Fleet.model_fields:
        settings = Fleet.model_fields[loc[0]].annotation
        if is_dataclass(settings):
            return [field.name for field in fields(settings)]
    model = next(
        m for at, m in _MODEL_AT if len(at) == len(loc) and all(a in ("*", b) for a, b in zip(at, loc, strict=True))
    )
    return [field.alias or name for name, field in model.model_fields.items()]


def _missing_fix(loc: list[str]) -> str:
    fixes = {
        "schema": "type schema = 1 on the first line",
        "conditions": "the file has no conditions, so add a table such as [conditions.dry] with friction",
        "machines": "the file has no machines, so add a table such as [machines.m1] with class",
        "friction": "type the coefficient of sliding friction for this condition, over 0 and at most 2",
        "class": 'type one of "ride-on", "stand-on", "walk-behind", "remote-controlled", "hand crew"',
        "operator": "type the class of the machine first, and the operator follows from it",
    }
    return fixes.get(loc[-1], "who, when and why are all needed for a written exception")


def _fix(kind: str, loc: list[str], value: object, context: Mapping[str, Any]) -> str:
    key = loc[-1]
    limits = {"greater_than": ("gt", "must be over"), "greater_than_equal": ("ge", "must be at least"),
              "less_than": ("lt", "must be under"), "less_than_equal": ("le", "must be at most")}  # fmt: skip
    if kind in limits:
        name, words = limits[kind]
        unit = " degrees" if key.endswith("_deg") else ""
        return f"{words} {context[name]:g}{unit}: correct the number{_or_delete(loc)}"
    if kind == "finite_number":
        return f"is not a number that can be used: type a plain number{_or_delete(loc)}"
    if kind in ("float_type", "int_type"):
        return f"is not a plain number: {_number_hint(loc, value)}"
    if kind == "literal_error" and key == "schema":
        return "is a layout that this version of slopekit does not read: type schema = 1"
    if kind == "literal_error":
        return f"is not known here: type one of {context['expected'].replace(' or ', ', ')}"
    if kind == "bool_type":
        return "is not a yes or no: type true or false, without quotes"
    if kind == "date_type":
        return "is not a date: type it as year-month-day without quotes, such as 2024-05-31"
    if kind in ("string_type", "string_too_short"):
        return "is not words: type some between double quotes"
    if kind in ("dict_type", "model_type", "dataclass_type"):
        return f"is not a table: write its keys below a heading such as [{_heading(key)}]"
    return f"cannot be used: {_as_clause(str(context.get('error', kind)))}"


def _heading(key: str) -> str:
    return {"machines": "machines.m1", "conditions": "conditions.dry", "limits": "machines.m1.limits.wet"}.get(key, key)


def _or_delete(loc: list[str]) -> str:
    if loc[-1] in ("friction", "schema"):
        return ""
    absent = loc[0] in ("machines", "conditions")
    return f", or delete the line to {'leave it absent' if absent else 'use the default'}"


def _number_hint(loc: list[str], value: object) -> str:
    key = loc[-1]
    if isinstance(value, str):
        if key.endswith("_deg") and (hint := _degrees_hint(value)):
            return hint
        if re.fullmatch(r"\s*[-+]?\d+(\.\d+)?\s*", value):
            return f"type {value.strip()} without quotes"
    unit = " of degrees" if key.endswith("_deg") else ""
    return f"type a number{unit} without quotes{_or_delete(loc)}"


def _degrees_hint(text: str) -> str | None:
    """What a slope typed as a ratio or in percent is in degrees, rounded down."""
    text = text.strip().strip("\"'")
    ratio, share = _RATIO.fullmatch(text), _PERCENT.fullmatch(text)
    if ratio:
        first, second = sorted(float(part) for part in ratio.groups())
        # 3:1 and 1 in 3 are the same bank. Of two readings the flatter one is the more careful.
        rise, words = (first / second if second > 0.0 else math.nan), f"'{text}' ({second:g} along to {first:g} up)"
    elif share:
        rise, words = float(share.group(1)) / 100.0, f"'{text}'"
    else:
        return None
    if not math.isfinite(rise):
        return None
    degrees = math.floor(10.0 * math.degrees(math.atan(rise)) + 1e-9) / 10.0
    return f"slopes are typed in degrees, and {words} is {degrees:.1f}, rounded down"


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{_short(value)}"'
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list):
        return "a list"
    return value.isoformat() if isinstance(value, date) else _short(str(value))
