"""One key a parcel: a hash of all that its answer rests on. The same key, the same answer."""

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields

import shapely

from slopekit.fleet.model import Fleet
from slopekit.grid import Bounds, grown
from slopekit.portfolio.choice import Choice, tiles_within
from slopekit.portfolio.surveys import TiledSurvey
from slopekit.portfolio.version import code_version
from slopekit.schema.corrections import Correction, holds_for
from slopekit.sources.layers import Layer, Layers

# Metres beyond the ground that was read in which something may still count: pads of cells, widths of lines.
_SPARE_M = 50.0


@dataclass(frozen=True)
class Common:
    """What the answers of all parcels rest on."""

    text: str
    """Code, fleet settings and what is asked, as one text."""
    layers: Mapping[str, Layers]
    """By the id of the survey, in its working CRS."""
    surveys: Mapping[str, str]
    """What is known of each survey, by id."""
    tiles: Mapping[str, tuple[bytes, ...]]
    """Content and place of each tile, by the id of the survey."""
    said: Mapping[str, tuple[str, Layer]]
    """By the id of the survey the bodies that are confirmed, which counts wherever it was drawn, as one text; and the
    rejections that hold for it, where they were drawn."""


def common_of(choices: Mapping[str, Choice], fleet: Fleet, layers: Mapping[str, Layers], asked: object) -> Common:
    """asked: what is asked of every parcel alike; its repr tells it from others."""
    surveys = {choice.survey.id: choice for choice in choices.values()}
    return Common(
        repr((code_version(), fleet.zones_checksum, asked)),
        layers,
        {id_: _facts(choice) for id_, choice in surveys.items()},
        {id_: _tiles(choice.survey) for id_, choice in surveys.items()},
        {id_: _said(layers[id_].corrections, id_) for id_ in surveys},
    )


def key_of(choice: Choice, seen: Bounds, common: Common) -> str:
    """The key of a parcel for whose answer the ground within `seen` (CRS units) was read.

    Tiles and features that do not meet that ground do not count, so a change far away leaves the key as it is.
    """
    survey, parcel = choice.survey, choice.parcel
    bounds = grown(seen, _SPARE_M, survey.elevation.survey.grid.metres_per_unit)
    layers = common.layers[survey.id]
    # Of entrances it counts too whether any are given, wherever they lie.
    head = (common.text, common.surveys[survey.id], choice.reach_m, parcel.id, seen, layers.entrances is not None)
    whole = hashlib.sha256(repr(head).encode())
    whole.update(shapely.to_wkb(parcel.geometry))
    for number in tiles_within(survey, bounds):
        whole.update(common.tiles[survey.id][number])
    if layers.points is not None:
        whole.update(layers.points.content.encode())
    for field in fields(Layers):
        layer = getattr(layers, field.name)
        if isinstance(layer, Layer):
            _add_layer(whole, field.name, layer, bounds)
    confirmed, rejections = common.said[survey.id]
    whole.update(confirmed.encode())
    _add_layer(whole, "rejections", rejections, bounds)
    return whole.hexdigest()[:32]


def _tiles(survey: TiledSurvey) -> tuple[bytes, ...]:
    places = shapely.to_wkb(survey.footprints)
    return tuple(mark.encode() + place for mark, place in zip(survey.fingerprints, places, strict=True))


def _facts(choice: Choice) -> str:
    """Everything about the survey that answers rest on; not how many tiles it has or how far it reaches."""
    survey = choice.survey.elevation.survey
    grid = survey.grid
    place = (grid.west, grid.north, grid.step_x, grid.step_y, grid.crs, grid.metres_per_unit)
    rest = [(f.name, getattr(survey, f.name)) for f in fields(survey) if f.name not in ("grid", "names")]
    return repr((place, rest))


def _said(corrections: Iterable[Correction], survey: str) -> tuple[str, Layer]:
    """What is not added to the layers. A rejection is told by its number too, by which an answer names it."""
    holding = [one for one in corrections if one.what == "reject" and holds_for(one, survey)]
    told = [repr((one.number, one.body, one.who, one.when, one.why)) for one in holding]
    confirmed = sorted({one.body for one in corrections if one.what == "confirm"})
    return repr(confirmed), Layer.of("rejections", [one.geometry for one in holding], told)


def _add_layer(whole: "hashlib._Hash", name: str, layer: Layer, bounds: Bounds) -> None:
    for number in layer.at(bounds):
        kind = "" if layer.kinds is None else layer.kinds[number]
        lengths = [None if of is None else float(of[number]) for of in (layer.heights, layer.widths)]
        whole.update(f"{name}\0{kind}\0{lengths!r}\0".encode() + shapely.to_wkb(layer.geometries[number]))
