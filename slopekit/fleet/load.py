"""Read a fleet file."""

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from slopekit.fleet.machine import Condition, Limits, Machine, WrittenException
from slopekit.fleet.model import Fleet, SlopeFactor, WorkSettings
from slopekit.fleet.template import template_text
from slopekit.fleet.typed_file import Kind, read_typed, typed_of

_BRAKES = (
    "a machine is stopped where its energy is used up, by the friction of the condition on gentle ground and by "
    "runout.rolling on ground over runout.rolls_from_deg"
)
_ANY_WAY = "every path counts on which a machine has the energy to get to a hazard"
_REPLACED = {
    "landing_length_m": _BRAKES,
    "landing_slope_deg": _BRAKES,
    "max_run_m": "hazards are looked for up to runout.look_m round a parcel, however long the path",
    "hazard_share": _ANY_WAY,
    "ways_down": _ANY_WAY,
    "fan_deg": _ANY_WAY,
}
"""What replaced settings of the run-out that earlier versions had."""

_FLEET_FILE = Kind(
    name="fleet file",
    new="slopekit fleet new",
    models={
        (): Fleet,
        ("conditions", "*"): Condition,
        ("machines", "*"): Machine,
        ("machines", "*", "limits", "*"): Limits,
        ("machines", "*", "above_hazard_exception"): WrittenException,
        ("work",): WorkSettings,
        ("work", "slope_factors", "*"): SlopeFactor,
    },
    missing={
        "schema": "type schema = 1 on the first line",
        "conditions": "the file has no conditions, so add a table such as [conditions.dry] with friction",
        "machines": "the file has no machines, so add a table such as [machines.m1] with class",
        "friction": "type the coefficient of sliding friction for this condition, over 0 and at most 2",
        "class": 'type one of "ride-on", "stand-on", "walk-behind", "remote-controlled", "hand crew"',
        "operator": "type the class of the machine first, and the operator follows from it",
        "to_deg": "each slope factor needs the slope that it holds up to, in degrees",
        "": "who, when and why are all needed for a written exception",
    },
    headings={"machines": "machines.m1", "conditions": "conditions.dry", "limits": "machines.m1.limits.wet"},
    required=("friction", "schema", "to_deg"),
    removed={f"runout.{key}": words for key, words in _REPLACED.items()},
)


def load_fleet(given: str | Path | Mapping[str, Any]) -> Fleet:
    """The fleet of a TOML file, or of a dict with the same keys.

    Raises InputError for a file that cannot be read, is not UTF-8 or not TOML, and for any key, value or id that the
    fleet file cannot have; the message names file, key path, value and fix.

    >>> import slopekit as sk
    >>> list(sk.load_fleet(sk.demo_data() / "fleet.toml").conditions)
    ['dry', 'wet']
    """
    if isinstance(given, Mapping):
        fleet: Fleet = typed_of("fleet", given, _FLEET_FILE)
    else:
        fleet = read_typed(Path(given), _FLEET_FILE)
    return fleet


def blank_fleet() -> Fleet:
    """The fleet of the template: default settings, and machines without limits, which permits nothing."""
    return Fleet.model_validate(tomllib.loads(template_text()))
