"""Real classified points: a tile and a part of a canal in tests/data/points (origins and licences in the README
of tests/data), and the larger ones where `SLOPEKIT_OPEN_DATA` names their folder."""

import os
from pathlib import Path

OWN = Path(__file__).parents[1] / "data" / "points"
_MORE = Path(os.environ.get("SLOPEKIT_OPEN_DATA", OWN)) / "points"

HOUSES = sorted({path.name: path for folder in (_MORE, OWN) for path in folder.glob("houses_*.laz")}.values())
"""Houses with gardens, trees and terraces, 50 x 50 m each."""
CANALS = [OWN / "canal_part.laz", *_MORE.glob("canal_water.laz")]
"""A canal with its class of water; the files do not say their CRS, `CANAL_CRS`."""
CANAL_CRS = "EPSG:28992"
