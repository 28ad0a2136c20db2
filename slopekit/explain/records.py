"""The answer for one spot as records of layers: the spot, each path from it, and the profiles of these paths."""

from collections.abc import Iterator
from datetime import date
from typing import Any

import numpy as np
import shapely

from slopekit.explain.spot import Run, Trace
from slopekit.explain.why import Explanation
from slopekit.explain.words import ride_words
from slopekit.schema.layers import SPOT_LAYERS
from slopekit.schema.tables import table_of
from slopekit.screening.notes import spot_notes
from slopekit.wording import UNITS, Units

Record = dict[str, Any]


def spot_tables(found: Explanation, units: str = "metric") -> dict[str, Any]:
    """The layers `spots`, `spot_paths`, `spot_profiles` and `run_notes` as tables, in the CRS of the elevation's grid.

    units: metric or us, of what the notes say; columns stay metric. A path without a length, from a spot that is a
    hazard itself, is told in the spot's note alone.
    """
    told = UNITS[units]
    paths = [
        (number, run, trace)
        for number, (run, trace) in enumerate(zip(found.spot.runs, found.traces, strict=True), 1)
        if len(trace.x) > 1
    ]
    records = {
        "spots": [_spot(found, units)],
        "spot_paths": [_path(number, run, trace, found, told) for number, run, trace in paths],
        "spot_profiles": [one for number, run, trace in paths for one in _points(number, run, trace, told)],
    }
    crs = found.survey.grid.crs
    notes = spot_notes(found.survey, found.fleet, found.not_assessed, date.today())
    return {
        **{layer: table_of(layer, records[layer], crs) for layer in SPOT_LAYERS},
        "run_notes": table_of("run_notes", notes, crs),
    }


def _spot(found: Explanation, units: str) -> Record:
    spot = found.spot
    refused = {answer.machine for answer in found.answers if not answer.permitted}
    machines = tuple(dict.fromkeys(answer.machine for answer in found.answers))
    return {
        "spot": f"{spot.x:.10g}, {spot.y:.10g}",
        "parcel_id": spot.parcel or "",
        "permitted": tuple(one for one in machines if one not in refused),
        "refused": tuple(one for one in machines if one in refused),
        "reasons": tuple(dict.fromkeys(one.code for answer in found.answers for one in answer.refusals)),
        "elevation_m": spot.elevation_m,
        "slope_deg": spot.slope_deg,
        "machine_slope_deg": spot.machine_slope_deg,
        "note": "\n".join(found.lines(units)),
        "geometry": shapely.Point(spot.x, spot.y),
    }


def _path(number: int, run: Run, trace: Trace, found: Explanation, units: Units) -> Record:
    words = ride_words(run, found.fleet)
    return {
        "path": number,
        "condition": run.condition,
        "hazard": run.to,
        "body": run.body,
        "length_m": run.length_m,
        "fall_m": run.fall_m,
        "across": run.across,
        "start_kmh": run.from_kmh,
        "arrival_kmh": run.arrival_kmh,
        "stopped_m": run.stopped_m,
        "note": units.sentence(f"Under {run.condition}: {words}."),
        "geometry": shapely.LineString(np.column_stack([trace.x, trace.y])),
    }


def _points(number: int, run: Run, trace: Trace, units: Units) -> Iterator[Record]:
    profile = trace.profile
    columns = (trace.x, trace.y, profile.distance_m, profile.height_m, profile.line_m, profile.speed_kmh)
    rows = zip(*(one.tolist() for one in columns), strict=True)
    for point, (x, y, distance, height, line, speed) in enumerate(rows, 1):
        there = f"{distance:.1f} m from the spot: the ground at {height:.2f} m, the energy line at {line:.2f} m"
        yield {
            "path": number,
            "condition": run.condition,
            "hazard": run.to,
            "point": point,
            "distance_m": distance,
            "height_m": height,
            "line_m": line,
            "speed_kmh": speed,
            "note": units.sentence(f"{there}, {speed:.1f} km/h."),
            "geometry": shapely.Point(x, y),
        }
