"""Read a TOML file into a model. Whatever is wrong with it comes out as one sentence that a user can act on."""

import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, is_dataclass
from datetime import date
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from slopekit.errors import InputError
from slopekit.fleet.figures import RULE, nearest
from slopekit.paths import refuse_special

# Of a model, and of a dataclass.
_UNKNOWN_KEY = ("extra_forbidden", "unexpected_keyword_argument")

_RATIO = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(?::|/|in|to)\s*(\d+(?:\.\d+)?)\s*", re.IGNORECASE)
_PERCENT = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(?:%|percent|per cent)\s*", re.IGNORECASE)


@dataclass(frozen=True)
class Kind:
    """What the sentences must know of a kind of file."""

    name: str
    """Such as "fleet file"."""
    new: str
    """The command that writes a blank one."""
    models: Mapping[tuple[str, ...], type[BaseModel]]
    """Which model reads the table at a key path; '*' is any id or number, and () is the whole file."""
    missing: Mapping[str, str]
    """What to do where a key is missing, by the key; "" for any other."""
    headings: Mapping[str, str]
    """An example of a heading for a table, where its name alone will not do."""
    required: tuple[str, ...]
    """Keys that cannot be deleted."""
    removed: Mapping[str, str] = field(default_factory=dict)
    """By key path, what replaced a key that earlier versions read, as a clause."""


def read_typed(path: Path, kind: Kind) -> Any:
    """The model of a file. Raises InputError, whose message names file, key path, value and fix."""
    return typed_of(str(path), _parse(path, _read(path, kind), kind), kind)


def typed_of(name: str, data: Mapping[str, Any], kind: Kind) -> Any:
    """The model of what a file would say. name: how the message calls it. Raises InputError as `read_typed` does."""
    try:
        return kind.models[()].model_validate(dict(data))
    except ValidationError as error:
        raise InputError(f"{name}: {_sentence(error, kind)}.") from None


def _read(path: Path, kind: Kind) -> str:
    refuse_special(path)
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raise InputError(
            f"{path}: there is no such {kind.name}; check the name, or write one with '{kind.new} {path}'."
        ) from None
    except OSError as error:
        raise InputError(f"{path}: the {kind.name} cannot be read ({error.strerror}); name a readable file.") from None
    try:
        # Some editors put a byte order mark first.
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise InputError(
            f"{path}: byte 0x{raw[error.start]:02x} in line {line} is not UTF-8 text; save the {kind.name} as UTF-8."
        ) from None


def _parse(path: Path, text: str, kind: Kind) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path}: {_toml_sentence(str(error), text, kind)}.") from None


def _toml_sentence(message: str, text: str, kind: Kind) -> str:
    place = re.search(r"\s*\(at line (\d+), column \d+\)", message)
    if not place:
        return f"the {kind.name} is not TOML ({message}); correct it, or start from '{kind.new} FILE'"
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


def _sentence(error: ValidationError, file: Kind) -> str:
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
    return _one(errors[0], file) + tail


def _one(error: Any, file: Kind) -> str:
    kind, value, context = error["type"], error["input"], error.get("ctx", {})
    # Bands of a list are counted from 1, as they are in the notes of a result.
    loc = [str(part + 1) if isinstance(part, int) else str(part) for part in error["loc"]]
    path = _path(loc)
    if kind == RULE:
        path = ".".join(part for part in (path, context["key"]) if part)
        shown = "" if context["value"] is None else f" = {_shown(context['value'])}"
        return f"{path}{shown} {context['fix']}"
    if loc and loc[-1] == "[key]":
        return f"{_path(loc[:-1])} {_id_fix(loc[0])}"
    if kind in _UNKNOWN_KEY:
        return _unknown_key(loc, value, file)
    if kind == "missing":
        fix = file.missing.get(loc[-1], file.missing[""])
        return f"{path} is missing: {fix}"
    if kind == "too_short":
        return f"{path} is empty: add a table such as [{file.headings.get(loc[-1], loc[-1])}]"
    if kind in ("dict_type", "model_type", "dataclass_type", "list_type"):
        return f"{path} = {_shown(value)} {_table_fix(kind, error['loc'], file)}"
    return f"{path} = {_shown(value)} {_fix(kind, loc, value, context, file)}"


def _table_fix(kind: str, loc: tuple[str | int, ...], file: Kind) -> str:
    names = ".".join(part for part in loc if isinstance(part, str))
    if kind == "list_type":
        return f"is not a list of tables: write the keys of each below a heading such as [[{names}]]"
    heading = f"[[{names}]]" if isinstance(loc[-1], int) else f"[{file.headings.get(loc[-1], names)}]"
    return f"is not a table: write its keys below a heading such as {heading}"


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


def _unknown_key(loc: list[str], value: object, file: Kind) -> str:
    if (instead := file.removed.get(".".join(loc))) is not None:
        return f"{_path(loc)} = {_shown(value)} is no longer read: {instead}, so delete the line"
    known = _known_keys(loc[:-1], file)
    like = nearest(loc[-1], known)
    typed = "is not a table" if isinstance(value, Mapping) else f"= {_shown(value)} is not a key"
    hint = f"the nearest known one is '{like}'" if like else f"known here are {', '.join(known)}"
    return f"{_path(loc)} {typed} of the {file.name}: {hint}"


def _known_keys(loc: list[str], file: Kind) -> list[str]:
    top = file.models[()].model_fields
    if len(loc) == 1 and loc[0] in top:
        settings = top[loc[0]].annotation
        if is_dataclass(settings):
            return [one.name for one in fields(settings)]
    fitting = (at for at in file.models if len(at) == len(loc))
    model = next(file.models[at] for at in fitting if all(a in ("*", b) for a, b in zip(at, loc, strict=True)))
    return [one.alias or name for name, one in model.model_fields.items()]


def _fix(kind: str, loc: list[str], value: object, context: Mapping[str, Any], file: Kind) -> str:
    key = loc[-1]
    limits = {"greater_than": ("gt", "must be over"), "greater_than_equal": ("ge", "must be at least"),
              "less_than": ("lt", "must be under"), "less_than_equal": ("le", "must be at most")}  # fmt: skip
    if kind in limits:
        name, words = limits[kind]
        unit = " degrees" if key.endswith("_deg") else ""
        return f"{words} {context[name]:g}{unit}: correct the number{_or_delete(loc, file)}"
    if kind == "finite_number":
        return f"is not a number that can be used: type a plain number{_or_delete(loc, file)}"
    if kind in ("float_type", "int_type"):
        return f"is not a plain number: {_number_hint(loc, value, file)}"
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
    return f"cannot be used: {_as_clause(str(context.get('error', kind)))}"


def _or_delete(loc: list[str], file: Kind) -> str:
    if loc[-1] in file.required:
        return ""
    absent = loc[0] in ("machines", "conditions")
    return f", or delete the line to {'leave it absent' if absent else 'use the default'}"


def _number_hint(loc: list[str], value: object, file: Kind) -> str:
    key = loc[-1]
    if isinstance(value, str):
        if key.endswith("_deg") and (hint := _degrees_hint(value)):
            return hint
        if re.fullmatch(r"\s*[-+]?\d+(\.\d+)?\s*", value):
            return f"type {value.strip()} without quotes"
    unit = " of degrees" if key.endswith("_deg") else ""
    return f"type a number{unit} without quotes{_or_delete(loc, file)}"


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
