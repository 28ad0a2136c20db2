"""Made clouds of classified points: Poisson returns on a ground that is known, with what stands on it."""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import laspy
import numpy as np
import pyproj
from ground_maker import NORTH, UTM, WEST
from numpy.typing import NDArray

from slopekit.points.classes import classes_of
from slopekit.points.settings import PointSettings
from slopekit.points.survey import PointLayers, survey_points
from slopekit.sources.point_files import open_points

Array = NDArray[np.float64]
Shape = Callable[[Array, Array], Array]

NOISE_M = 0.05


@dataclass
class Cloud:
    """Points: x east and y north of the south-west corner (m), z (m), and what a file says of each."""

    x: Array
    y: Array
    z: Array
    code: NDArray[np.uint8]
    extra: dict[str, NDArray[Any]] = field(default_factory=dict)

    def where(self, keep: NDArray[np.bool_]) -> "Cloud":
        extra = {name: values[keep] for name, values in self.extra.items()}
        return Cloud(self.x[keep], self.y[keep], self.z[keep], self.code[keep], extra)

    def __add__(self, other: "Cloud") -> "Cloud":
        assert set(self.extra) == set(other.extra)
        return Cloud(
            *(np.concatenate([getattr(self, name), getattr(other, name)]) for name in ("x", "y", "z", "code")),
            {name: np.concatenate([self.extra[name], other.extra[name]]) for name in self.extra},
        )


def ground_cloud(
    ground: Shape, density: float, size: float = 60.0, seed: int = 0, noise_m: float = NOISE_M, code: int = 2
) -> Cloud:
    """Returns of one class on a square of ground, evenly at random."""
    rng = np.random.default_rng(seed)
    n = rng.poisson(density * size * size)
    x, y = rng.uniform(0.0, size, n), rng.uniform(0.0, size, n)
    return Cloud(x, y, ground(x, y) + rng.normal(0.0, noise_m, n), np.full(n, code, np.uint8))


def tilted(x: Array, y: Array) -> Array:
    """Ground with a fall of 2 %."""
    return 50.0 + 0.02 * x


def write_points(
    path: Path,
    cloud: Cloud,
    *,
    crs: str | None = UTM,
    west: float = WEST,
    south: float = NORTH - 60.0,
    unit: float = 1.0,
    z_unit: float = 1.0,
    scale: float = 0.001,
    point_format: int = 6,
) -> Path:
    """A LAS or LAZ file. unit, z_unit: metres in a unit of x and y, and of z."""
    head = laspy.LasHeader(point_format=point_format, version="1.4" if point_format >= 6 else "1.2")
    head.scales = [scale, scale, scale]
    head.offsets = [west, south, 0.0]
    if crs is not None:
        head.add_crs(pyproj.CRS.from_user_input(crs))
    las = laspy.LasData(head)
    las.x, las.y, las.z = west + cloud.x / unit, south + cloud.y / unit, cloud.z / z_unit
    las.classification = cloud.code
    las.return_number = las.number_of_returns = np.ones(len(cloud.x), np.uint8)
    las.intensity = np.full(len(cloud.x), 1000, np.uint16)
    for name, values in cloud.extra.items():
        setattr(las, name, values)
    las.write(str(path))
    return path


def layers_of(path: Path, folder: Path, settings: PointSettings | None = None, **options: Any) -> PointLayers:
    """What the points of a file show."""
    folder.mkdir()
    survey = open_points([path], **options)
    return survey_points(survey, classes_of("asprs"), settings or PointSettings(), folder)
