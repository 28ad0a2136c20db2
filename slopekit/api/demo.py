"""The files of the demo, an office park that does not exist."""

import importlib.resources
from datetime import date
from pathlib import Path

from slopekit.errors import InputError
from slopekit.schema.inputs import LAYER_INPUTS
from slopekit.screening.job import Job

_RMSE_M = 0.05  # invented
_SURVEYED = date(2025, 3, 1)  # invented, and fixed so that the demo always gives the same files


def demo_data() -> Path:
    """The folder of the demo's files: inside an installed package, beside the package in a checkout.

    The site, the machines, their limits and all figures are invented. Raises InputError when the files did not come
    with the installation.

    >>> import slopekit as sk
    >>> (sk.demo_data() / "office_park.tif").is_file()
    True
    """
    package = Path(str(importlib.resources.files("slopekit")))
    for folder in (package / "data_demo", package.parent / "data_demo"):
        if (folder / "office_park.tif").is_file():
            return folder
    raise InputError(f"{package}: the demo data did not come with this installation, so install slopekit anew.")


def demo_job(workers: int | None = None) -> Job:
    """The demo site with all its layers. Raises InputError as `demo_data`."""
    data = demo_data()
    return Job(
        elevation=[str(data / "office_park.tif")],
        parcels=str(data / "parcels.gpkg"),
        fleet=data / "fleet.toml",
        layers={name: str(data / f"{name}.gpkg") for name in LAYER_INPUTS if (data / f"{name}.gpkg").is_file()},
        id_column="parcel_id",
        survey_date=_SURVEYED,
        z_rmse=_RMSE_M,
        surface="ground",
        workers=workers,
    )
