"""What every output says of itself: inputs, settings, what was not assessed, cautions."""

import re
from collections.abc import Collection, Iterable, Mapping
from datetime import date
from typing import Any

from slopekit import __version__
from slopekit.fleet.model import Fleet
from slopekit.hazards.detection import detection_limit
from slopekit.hazards.shapes import FLAT, POSSIBLE
from slopekit.schema.fields import SCHEMA_VERSION
from slopekit.schema.inputs import INPUTS
from slopekit.screening.landform_records import widest_m
from slopekit.screening.realisations import Draws
from slopekit.sources.elevation import Survey
from slopekit.wording import DECIDE

# Usual cautions of the trade (common practice, no source, save where a manual or rule is named).
CAUTIONS: tuple[str, ...] = (
    "Nothing here says that ground can be worked without danger. It says which of the company's own limits a piece of "
    "ground breaks, as far as the elevation data can show.",
    DECIDE,
    "Walk the ground before work: look for holes, stumps, soft places, edges and water that the survey does not show.",
    "On a machine with a seat and a roll bar: bar up and belt fastened on any slope. Belt off while the bar is folded.",
    "No seated work on ground that runs down to water or a drop.",
    "Banks often drop steeply just below the waterline.",
)

# 0.8 ha are 2 acres, from which ponds are flattened: USGS rules for elevation-derived hydrography, Lake/Pond.
NOT_ASSESSED: tuple[str, ...] = (
    "Holes, stumps, roots, loose ground and anything smaller than a cell.",
    "The state of turf and soil on the day.",
    "Water under about 0.8 ha that the survey did not flatten: absence of flat cells proves nothing.",
    "A machine whose brakes are lost altogether: on gentle ground they are assumed to hold.",
)

_ROUTES_IN = "Routes in for machines: that takes the entrances and a parcel that holds the place."

NOT_ASSESSED_OF_LANDFORMS: tuple[str, ...] = (
    "Pipes, culverts and pumps: a basin that one of them drains is listed as if it held water back.",
    "Whether a basin holds water today, and how soft its floor is.",
    "What a basin was built for. 'built_likeness' tells how much its shape looks built, no more.",
    "Holes, stumps, roots, loose ground and anything smaller than a cell.",
)

Note = dict[str, str]
_ELEVATION = re.compile(r"(.*) \(((?:sha256|stat|tiles):[0-9a-f]{64})\)", re.DOTALL)


def run_notes(
    survey: Survey,
    fleet: Fleet,
    inputs: Mapping[str, str],
    bodies: Mapping[str, int],
    draws: Draws | None,
    given: Collection[str],
    today: date,
) -> list[Note]:
    """Rows of the layer `run_notes`.

    inputs: name of each input file by its role, with its checksum. bodies: rows of layer `water` by origin. given:
    names of the inputs that the user gave.
    """
    ground: list[tuple[str, object]] = [
        ("look", f"{fleet.runout.look_m:g} m round each parcel"),
        *((origin, f"{bodies.get(origin, 0)} in layer water; look at each on site") for origin in (FLAT, POSSIBLE)),
    ]
    if draws is not None:
        ground.append(("realisations of the survey's error", f"{draws.count} for each parcel, seed {draws.seed}"))
    limit = detection_limit(survey.grid.dx, survey.grid.dy, fleet.hazards, survey.warped)
    ground += [(f"detection limit {n}", sentence) for n, sentence in enumerate(limit.sentences(), 1)]
    return _notes(survey, fleet, inputs, ground, fleet.as_notes(), not_assessed(survey, given), today)


def spot_notes(survey: Survey, fleet: Fleet, missing: Iterable[str], today: date) -> list[Note]:
    """Rows of `run_notes` for one spot. missing: what was not assessed."""
    return _notes(survey, fleet, {}, (), fleet.as_notes(), missing, today)


def landform_notes(survey: Survey, fleet: Fleet, inputs: Mapping[str, str], today: date) -> list[Note]:
    """Rows of the layer `run_notes` of an inventory of landforms. inputs: as for `run_notes`."""
    left_out = f"hollows that are longer or wider than {widest_m(fleet.terrain):.0f} m"
    settings = [row for row in fleet.as_notes() if row[0].partition(".")[0] in _GROUND_SETTINGS]
    missing = [*NOT_ASSESSED_OF_LANDFORMS, *_of_survey(survey)]
    return _notes(survey, fleet, inputs, [("left out", left_out)], settings, missing, today)


_GROUND_SETTINGS = ("terrain", "hazards", "runout", "landforms")


def _notes(
    survey: Survey,
    fleet: Fleet,
    inputs: Mapping[str, str],
    ground: Iterable[tuple[str, object]],
    settings: Iterable[tuple[str, str]],
    missing: Iterable[str],
    today: date,
) -> list[Note]:
    out: list[Note] = []

    def add(topic: str, name: str, value: object) -> None:
        out.append({"topic": topic, "name": name, "value": str(value)})

    add("inputs", "slopekit", f"{__version__}, output schema {SCHEMA_VERSION}")
    for role, text in inputs.items():
        add("inputs", role, text)
    add("inputs", "elevation", elevation_note(survey))
    add("inputs", "fleet settings", fleet.checksum)
    grid, working = survey.grid, survey.working
    add("ground", "cell", f"{grid.dx:.4g} x {grid.dy:.4g} m, worked at {working.dx:.4g} x {working.dy:.4g} m")
    add("ground", "vertical unit", f"{survey.z_unit} ({_FROM[survey.z_unit_from]})")
    add("ground", "surface", "bare ground" if survey.surface == "ground" else "surface model: trees and roofs included")
    add("ground", "survey date", survey.survey_date or "not given")
    add("ground", "vertical RMSE", "not given" if survey.rmse_m is None else f"{survey.rmse_m:g} m")
    for name, value in ground:
        add("ground", name, value)
    for n, sentence in enumerate([*survey.notes, *warnings(survey, fleet, today)], 1):
        add("ground", f"warning {n}", sentence)
    for name, value in settings:
        add("settings", name, value)
    for n, sentence in enumerate(missing, 1):
        add("not assessed", str(n), sentence)
    for n, sentence in enumerate(CAUTIONS, 1):
        add("cautions", str(n), sentence)
    return out


def elevation_note(survey: Survey) -> str:
    """Names and fingerprint of the elevation."""
    return f"{', '.join(survey.names)} ({survey.checksum})"


def surveys_told(run_notes: Any) -> dict[str, str]:
    """The checksums of the surveys that a result's notes name, by title and first digits."""
    rows = run_notes[run_notes["topic"] == "inputs"]
    out = {}
    for name, value in zip(rows["name"], rows["value"], strict=True):
        found = _ELEVATION.fullmatch(str(value)) if name.rpartition(" ")[2] == "elevation" else None
        if found is not None:
            out[f"{found[1]}: {found[2].rpartition(':')[2][:8]}"] = found[2]
    return out


_FROM = {
    "option": "given by the user",
    "crs": "from the coordinate reference system",
    "band": "from the raster's unit tag",
    "assumed": "assumed, since nothing tells",
}


def not_assessed(survey: Survey, given: Collection[str]) -> list[str]:
    """What no rule has looked at, for this survey. given: names of the inputs that the user gave; entrances only where
    routes in are judged."""
    routes = [] if "entrances" in given else [_ROUTES_IN]
    return [*NOT_ASSESSED, *routes, *_not_given(given), *_of_survey(survey)]


def _not_given(given: Collection[str]) -> list[str]:
    """One sentence on the inputs that could have refused more."""
    missing = [
        row.label.lower()
        for name, row in INPUTS.items()
        if row.effect in ("refuses", "both") and name not in given and name != "entrances"
    ]
    return [f"Not given, so known only as far as the survey shows it: {'; '.join(missing)}."] if missing else []


def _of_survey(survey: Survey) -> list[str]:
    out = []
    if survey.rmse_m is None:
        out.append("How sure the slopes are, since the survey's vertical error is not given.")
    if survey.z_step_m is not None:
        out.append(
            f"Water from flat cells: heights come in steps of {survey.z_step_m:g} m, so level ground looks like water."
        )
    return out


def warnings(survey: Survey, fleet: Fleet, today: date) -> list[str]:
    """Warnings that depend on the company's settings."""
    limit = fleet.survey_max_age_years
    if limit is None:
        return []
    if survey.survey_date is None:
        return [f"The survey's date is not given, so it may be older than the company's {limit:g} years."]
    years = (today - survey.survey_date).days / 365.25
    if years > limit:
        return [f"The survey is {years:.0f} years old; the company allows {limit:g}. The ground may have changed."]
    return []
