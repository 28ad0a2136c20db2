"""Which class of the points means what. Providers differ, so a file may say it."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from slopekit.errors import InputError
from slopekit.paths import refuse_special

ROLES = ("other", "ground", "water", "building", "bridge", "noise", "unclassified")
OTHER, GROUND, WATER, BUILDING, BRIDGE, NOISE, UNCLASSIFIED = range(len(ROLES))
STANDARD = "asprs"

# ASPRS LAS 1.4-R15, table 17. What is not named, vegetation among it, is a return like any other.
_STANDARD: dict[str, tuple[int, ...]] = {
    "ground": (2,),
    "water": (9,),
    "building": (6,),
    "bridge": (17,),
    "noise": (7, 18, 22),  # 22: left out since the ground was not as it is today
    "unclassified": (0, 1),
}


@dataclass(frozen=True)
class Classes:
    """The codes of each role. A role without any is one that the survey does not tell."""

    codes: Mapping[str, tuple[int, ...]]
    name: str = STANDARD

    def table(self) -> NDArray[np.uint8]:
        """(256,): number of the role by class code."""
        out = np.zeros(256, np.uint8)
        for role, codes in self.codes.items():
            out[list(codes)] = ROLES.index(role)
        return out


def classes_of(name: str | Path) -> Classes:
    """The standard's classes for 'asprs', else those of a TOML file such as `ground = [2, 8]`, one line for each role.

    Raises InputError for a role or a code that there is not, a code given twice, and a file without ground.
    """
    if str(name).lower() == STANDARD:
        return Classes(_STANDARD)
    path = Path(name)
    refuse_special(path)
    try:
        data = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such file of classes, so check --classes or say asprs.") from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputError(f"{path}: this cannot be read ({error}), so write lines such as ground = [2].") from None
    known = ROLES[1:]
    codes: dict[str, tuple[int, ...]] = {}
    seen: dict[int, str] = {}
    for role, given in data.items():
        if role not in known:
            raise InputError(f"{path}: '{role}' is none of {', '.join(known)}, so use one of those words.")
        if not isinstance(given, list) or not all(type(code) is int and 0 <= code <= 255 for code in given):
            raise InputError(f"{path}: {role} = {given!r} is no list of class codes, so write such as {role} = [2].")
        for code in given:
            if code in seen:
                raise InputError(f"{path}: class {code} is both {seen[code]} and {role}, so leave it in one of them.")
            seen[code] = role
        codes[role] = tuple(given)
    if not codes.get("ground"):
        raise InputError(f"{path}: it names no class of ground, so add such as ground = [2].")
    return Classes(codes, path.name)
