"""The parameters that several slopekit algorithms share, and their words on the command line."""

from __future__ import annotations

from collections.abc import Iterable

from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterCrs,
    QgsProcessingParameterDateTime,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterEnum,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterField,
    QgsProcessingParameterFile,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterMultipleLayers,
    QgsProcessingParameterNumber,
    QgsProcessingParameterString,
)
from slopekit_given import Given
from slopekit_qgis import REGISTRY, advanced, explained

Parameters = Iterable[QgsProcessingParameterDefinition]

_KINDS = {
    "point": QgsProcessing.SourceType.TypeVectorPoint,
    "line": QgsProcessing.SourceType.TypeVectorLine,
    "polygon": QgsProcessing.SourceType.TypeVectorPolygon,
}
_INPUTS = REGISTRY["inputs"]
_GROUND = {name: row for name, row in _INPUTS.items() if row["shapes"]}
_UNITS = ["metre", "foot", "us-survey-foot"]
_SURFACES = ["ground", "top"]
CRS_KEPT = "Layers may have any CRS: each keeps its own, and slopekit brings them to that of the elevation."
CAUTION = (
    "slopekit never says that ground is safe. Permitted means: not refused by any rule that was evaluated. Walk the "
    "ground first. The operator's manual, local codes and rules, licensed practice and the site supervisor decide."
)


def elevation() -> Parameters:
    """The survey, as layers or files and as a folder of tiles."""
    layers = QgsProcessingParameterMultipleLayers(
        "ELEVATION", "Elevation", layerType=QgsProcessing.SourceType.TypeRaster, optional=True
    )
    yield explained(layers, "One or many rasters of bare ground: layers or files. They are read as one.")
    folder = QgsProcessingParameterFile(
        "TILES", "Folder of elevation tiles", behavior=QgsProcessingParameterFile.Behavior.Folder, optional=True
    )
    yield explained(folder, "In place of layers, or beside them.")


def elevation_words(given: Given) -> list[str]:
    return given.rasters("ELEVATION", "TILES")


def tile_index() -> Parameters:
    """An index of tiles in place of the elevation, and the folder through which its tiles are read."""
    index = QgsProcessingParameterFile("INDEX", "Index of tiles", optional=True)
    yield advanced(
        explained(index, "In place of layers: a file, an address, or a name that slopekit tiles sources lists.")
    )
    cache = QgsProcessingParameterFile(
        "CACHE",
        "Folder for what is read of tiles",
        behavior=QgsProcessingParameterFile.Behavior.Folder,
        optional=True,
    )
    yield advanced(explained(cache, "Needed with an index. Several runs may share it."))
    yield from most()
    yield from trust_index_error()


def ground_of_words(given: Given) -> list[str]:
    """The elevation with an index among it and how that is read, and a folder of points, which has elevation too."""
    points = given.option("--points", "POINTS")
    return [
        *given.rasters("ELEVATION", "TILES", "INDEX", needed=not points),
        *points,
        *given.option("--cache", "CACHE"),
        *most_words(given),
        *trust_index_error_words(given),
    ]


def most() -> Parameters:
    size = QgsProcessingParameterString("MOST", "Fetch no more than this at a time", optional=True)
    yield advanced(explained(size, "Such as 500MB. Empty: 2GB."))


def most_words(given: Given) -> list[str]:
    return given.option("--most", "MOST")


def trust_index_error() -> Parameters:
    trusted = QgsProcessingParameterBoolean("TRUST_INDEX_ERROR", "Use the vertical error that the index tells", False)
    yield advanced(explained(trusted, "As the vertical error of the survey."))


def trust_index_error_words(given: Given) -> list[str]:
    return given.flag("--trust-index-error", "TRUST_INDEX_ERROR")


def points() -> Parameters:
    """What a survey's points show beside the elevation, or in its place."""
    folder = QgsProcessingParameterFile(
        "POINTS", "Folder of points", behavior=QgsProcessingParameterFile.Behavior.Folder, optional=True
    )
    yield explained(folder, "That 'Points: ground, walls, water' made. Without elevation, its ground is taken too.")


def point_files() -> Parameters:
    """A survey's own files of points."""
    files = QgsProcessingParameterMultipleLayers(
        "FILES", "Points", layerType=QgsProcessing.SourceType.TypeFile, optional=True
    )
    yield explained(files, "LAS, LAZ or COPC files, or addresses of COPC files. They are read as one.")


def point_meaning() -> Parameters:
    """What files of points do not say themselves."""
    classes = QgsProcessingParameterFile("CLASSES", "File of classes", extension="toml", optional=True)
    yield advanced(explained(classes, "What the classes of points mean. Empty: as the ASPRS standard has it."))
    crs = QgsProcessingParameterCrs("CRS", "CRS of points that do not say it", optional=True)
    yield advanced(explained(crs, "Empty: what the files say."))


def point_meaning_words(given: Given) -> list[str]:
    return [*given.option("--classes", "CLASSES"), *given.crs("--crs", "CRS")]


def height_unit() -> QgsProcessingParameterDefinition:
    unit = QgsProcessingParameterEnum(
        "Z_UNIT", "Unit of the heights", options=_UNITS, optional=True, usesStaticStrings=True
    )
    return advanced(explained(unit, "Empty: what the files say."))


def surface() -> QgsProcessingParameterDefinition:
    shown = QgsProcessingParameterEnum(
        "SURFACE", "What the survey shows", options=_SURFACES, optional=True, usesStaticStrings=True
    )
    return advanced(explained(shown, "ground: bare; top: the top of trees and roofs. Empty: what the files say."))


def reading() -> Parameters:
    """How the survey is read."""
    yield height_unit()
    rmse = QgsProcessingParameterNumber(
        "Z_RMSE", "Vertical error of the survey, RMSE (m)", QgsProcessingParameterNumber.Type.Double, None, True, 0.0
    )
    yield explained(rmse, "Empty: ground near a limit is not assessed.")
    cell = QgsProcessingParameterNumber(
        "CELL", "Working cell (m)", QgsProcessingParameterNumber.Type.Double, None, True, 0.0
    )
    yield advanced(explained(cell, "Finer grids are averaged to it. Empty: 1 m."))
    yield surface()
    yield from no_remote()


def reading_words(given: Given) -> list[str]:
    return [
        *given.option("--z-unit", "Z_UNIT"),
        *given.number("--z-rmse", "Z_RMSE"),
        *given.number("--cell", "CELL"),
        *given.option("--surface", "SURFACE"),
        *no_remote_words(given),
    ]


def no_remote() -> Parameters:
    refused = QgsProcessingParameterBoolean("NO_REMOTE", "Refuse what is not a file of this machine", False)
    yield advanced(explained(refused, "Also what a VRT or a tile index names. For files of people you do not know."))


def no_remote_words(given: Given) -> list[str]:
    return given.flag("--no-remote", "NO_REMOTE")


def surveyed() -> Parameters:
    """When the survey was made, and whether coarse cells will do."""
    day = QgsProcessingParameterDateTime(
        "SURVEY_DATE", "Date of the survey", type=QgsProcessingParameterDateTime.Type.Date, optional=True
    )
    yield explained(day, "When the elevation was measured.")
    coarse = QgsProcessingParameterBoolean("PRESCREEN", "Accept cells coarser than 5 m (a rough look only)", False)
    yield advanced(explained(coarse, "Such cells show no bank and no wall."))


def surveyed_words(given: Given) -> list[str]:
    return [*given.date("--survey-date", "SURVEY_DATE"), *given.flag("--prescreen", "PRESCREEN")]


def parcels() -> Parameters:
    places = QgsProcessingParameterFeatureSource("PARCELS", "Parcels", [QgsProcessing.SourceType.TypeVectorPolygon])
    yield explained(places, "Polygons to screen.")
    column = QgsProcessingParameterField(
        "ID_COLUMN", "Column of the parcels' ids", parentLayerParameterName="PARCELS", optional=True
    )
    yield explained(column, "Empty: they are numbered from 1.")


def parcels_words(given: Given) -> list[str]:
    return [*given.vector("--parcels", "PARCELS"), *given.option("--id-column", "ID_COLUMN")]


def fleet(optional: bool = False) -> Parameters:
    file = QgsProcessingParameterFile("FLEET", "Fleet file", extension="toml", optional=optional)
    yield explained(file, "Your machines and limits. Start one with 'Fleet file: new'.")


def fleet_words(given: Given) -> list[str]:
    return given.option("--fleet", "FLEET")


def ground(*names: str) -> Parameters:
    """What is known of the ground: the layers named, or all, and none of them needed."""
    for name in names or _GROUND:
        row = _GROUND[name]
        kinds = [_KINDS[shape] for shape in row["shapes"]]
        layer = QgsProcessingParameterFeatureSource(name.upper(), row["label"], kinds, optional=True)
        yield explained(layer, row["help"])


def ground_words(given: Given, *names: str) -> list[str]:
    return [word for name in names or _GROUND for word in given.vector(f"--{name}", name.upper())]


GROUND_NAMES = tuple(name.upper() for name in _GROUND)


def corrections() -> Parameters:
    # A file, since it may hold several layers that belong together.
    file = QgsProcessingParameterFile("CORRECTIONS", _INPUTS["corrections"]["label"], optional=True)
    yield explained(file, _INPUTS["corrections"]["help"])


def corrections_words(given: Given) -> list[str]:
    return given.option("--corrections", "CORRECTIONS")


def season_file(empty: str) -> Parameters:
    """empty: what is done without it."""
    file = QgsProcessingParameterFile("SEASON", "Season file", extension="toml", optional=True)
    yield explained(file, f"Visits, working day, rates. Start one with 'Season file: new'. {empty}")


def season_file_words(given: Given) -> list[str]:
    return given.option("--season", "SEASON")


def season() -> Parameters:
    yield from season_file("Empty: one visit, hours only.")
    goal = QgsProcessingParameterEnum(
        "GOAL",
        "Keep least on each parcel",
        options=["hours", "cost", "machines"],
        defaultValue="hours",
        usesStaticStrings=True,
    )
    yield explained(goal, "Hours of people, cost, or the number of machines that are brought.")


def season_words(given: Given) -> list[str]:
    return [*season_file_words(given), *given.option("--goal", "GOAL")]


def paper() -> Parameters:
    yield QgsProcessingParameterEnum(
        "PAPER", "Size of the pages", options=["a4", "letter"], defaultValue="a4", usesStaticStrings=True
    )


def paper_words(given: Given) -> list[str]:
    return given.option("--paper", "PAPER")


def units() -> Parameters:
    system = QgsProcessingParameterEnum(
        "UNITS", "Units to show", options=["metric", "us"], defaultValue="metric", usesStaticStrings=True
    )
    yield explained(system, "us: acres, feet and miles an hour. Columns in files stay metric.")


def units_words(given: Given) -> list[str]:
    return given.option("--units", "UNITS")


def asked() -> Parameters:
    """What may be asked of a screening beside its zones, and how far it looks."""
    yield QgsProcessingParameterBoolean("LANDFORMS", "Also list basins and berms", False)
    draws = QgsProcessingParameterNumber(
        "REALISATIONS", "Draws of the survey's error", QgsProcessingParameterNumber.Type.Integer, None, True, 1, 1000
    )
    yield advanced(explained(draws, "Tells how often each zone is above a hazard. 50 will do."))


def asked_words(given: Given) -> list[str]:
    return [
        *given.flag("--landforms", "LANDFORMS"),
        *given.number("--realisations", "REALISATIONS"),
    ]


def screened() -> Parameters:
    kinds = [QgsProcessing.SourceType.TypeVectorPolygon]
    zones = QgsProcessingParameterFeatureSource("ZONES", "Screened zones", kinds)
    told = "The zones of a result of 'Screen parcels', or its GeoPackage. A filter or a selection leaves whole parcels."
    yield explained(zones, told)


def screened_words(given: Given) -> list[str]:
    """The result and the parcels that are asked for."""
    path, ids = given.result("ZONES")
    return [path, *(word for one in ids for word in ("--parcel", one))]


def workers() -> Parameters:
    count = QgsProcessingParameterNumber(
        "WORKERS", "Processes to use", QgsProcessingParameterNumber.Type.Integer, None, True, 1
    )
    yield advanced(explained(count, "Empty: as many as fit the machine."))


def workers_words(given: Given) -> list[str]:
    return given.number("--workers", "WORKERS")


def overwrite() -> Parameters:
    over = QgsProcessingParameterBoolean("OVERWRITE", "Also replace files that slopekit did not write", False)
    yield advanced(explained(over, "Or that were edited since. Otherwise such files are left alone, with a sentence."))


def overwrite_words(given: Given) -> list[str]:
    return given.flag("--overwrite", "OVERWRITE")


def load() -> Parameters:
    shown = QgsProcessingParameterBoolean("LOAD", "Load the result into the project", True)
    yield explained(shown, "Styled, in a group of its own.")


def shown() -> Parameters:
    yield QgsProcessingParameterBoolean("SHOW", "Open the result when it is there", True)


def result(
    label: str, filters: str, optional: bool = False, name: str = "OUTPUT", asked: bool | None = None
) -> Parameters:
    """asked: whether the form asks for it before anybody chose; where it is not optional, without it."""
    chosen = not optional if asked is None else asked
    yield QgsProcessingParameterFileDestination(name, label, filters, optional=optional, createByDefault=chosen)
