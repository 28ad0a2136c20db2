"""One spot in words."""

from typing import Unpack

from slopekit.api.given import Elevations, Features, Fleets, Known, features, id_of, job_from
from slopekit.api.inputs import check_inputs, open_job, read_layers
from slopekit.api.spoken import speaks_python
from slopekit.explain.why import Explanation
from slopekit.explain.why import why as explain
from slopekit.fleet.model import Fleet
from slopekit.screening.job import Sources
from slopekit.sources.frames import Frame
from slopekit.sources.parcels import read_parcels


@speaks_python
def why(
    elevation: Elevations,
    x: float,
    y: float,
    fleet: Fleets,
    *,
    crs: str | None = None,
    parcels: Features | None = None,
    id_column: str | None = None,
    **known: Unpack[Known],
) -> Explanation:
    """Every rule at one spot, with its numbers: print it, or take `facts()`. `Result.why` says it of a screening.

    elevation, fleet, known: as in `screen`. x, y: east and north, or longitude and latitude, in `crs`, by default that
    of the elevation's grid. parcels: those of the screening; hazards are looked for round the one that holds the spot,
    without it round the spot alone. Needed with entrances. Raises InputError for a spot without heights, an unknown
    CRS, and as `screen`.

    >>> import slopekit as sk
    >>> data = sk.demo_data()
    >>> spot = sk.why(data / "office_park.tif", 400310.5, 6200310.5, data / "fleet.toml")
    >>> spot.spot.parcel is None
    True
    """
    job = job_from(Sources, elevation, fleet, known)
    machines, _ = check_inputs(job)
    places = None if parcels is None else features("parcels", parcels)
    return explain_job(job, machines, (x, y), crs, places, None if parcels is None else id_of(parcels, id_column))


def explain_job(
    job: Sources,
    fleet: Fleet,
    at: tuple[float, float],
    crs: str | None,
    parcels: str | Frame | None,
    id_column: str | None,
) -> Explanation:
    """Read what the job names, and explain the spot `at` (see `why`)."""
    with open_job(job) as elevation:
        grid = elevation.survey.grid
        places = () if parcels is None else read_parcels(parcels, id_column, grid.crs)
        return explain(elevation, *at, fleet, read_layers(job, elevation.survey), crs, places)


__all__ = ["Explanation", "explain_job", "why"]
