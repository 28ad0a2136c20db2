"""What the notes of a result tell of the machines and conditions that it was screened with."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class NotedMachine:
    """A machine or hand crew as its settings stand in the notes; '' for what is not given."""

    label: str
    machine_class: str
    roll_bar: str
    tread: str


def noted(settings: Iterable[tuple[str, str]]) -> tuple[dict[str, NotedMachine], dict[str, str]]:
    """Machines by id, and the words of each condition by its id, in the order of the fleet file.

    settings: pairs of key path and value, those of topic settings in run_notes or of `Fleet.as_notes`.
    """
    tables: dict[str, dict[str, dict[str, str]]] = {"machines": {}, "conditions": {}}
    for path, value in settings:
        table, _, rest = path.partition(".")
        name, _, key = rest.partition(".")
        if table in tables:
            tables[table].setdefault(name, {})[key] = "" if value == "not given" else value
    machines = {name: _machine(keys) for name, keys in tables["machines"].items()}
    return machines, {name: keys.get("label") or name for name, keys in tables["conditions"].items()}


def _machine(keys: Mapping[str, str]) -> NotedMachine:
    return NotedMachine(*(keys.get(key, "") for key in ("label", "class", "roll_bar", "tread")))
