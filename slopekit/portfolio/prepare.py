"""Everything that is known before the first parcel is screened: surveys, who answers which parcel, what is asked."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from slopekit.errors import InputError
from slopekit.fleet.model import Fleet
from slopekit.labour.season import Season
from slopekit.portfolio.choice import Choices, by_survey, choose
from slopekit.portfolio.index import Index, index_of
from slopekit.portfolio.keys import Common, common_of
from slopekit.portfolio.limits import Limits
from slopekit.portfolio.surveys import TiledSurvey, surveys_of
from slopekit.portfolio.tasks import Work
from slopekit.screening.batch import Job, refuse_stray_entrances
from slopekit.screening.realisations import Draws
from slopekit.sources.elevation import Reading, Survey
from slopekit.sources.frames import Frame
from slopekit.sources.layers import Layers
from slopekit.sources.parcels import Lots, read_lots
from slopekit.sources.remote import is_locked


@dataclass(frozen=True, kw_only=True)
class Order:
    """What the user asks for."""

    elevation: Sequence[str]
    parcels: str | Frame
    fleet: Fleet
    read_layers: Callable[[Survey], Layers]
    """The user's layers in the CRS of a survey."""
    limits: Limits
    how: Reading = field(default_factory=Reading)
    id_column: str | None = None
    landforms: bool = False
    draws: Draws | None = None
    season: Season | None = None
    """What hours are worked out for; None for no hours."""
    inputs: Mapping[str, str]
    """Name and fingerprint of every file but the elevation and the season, by role."""
    job: str
    """All that was asked, as the JSON that the result keeps."""
    units: str = "metric"
    """In which people are shown figures."""
    season_file: str = ""
    """Name and fingerprint of the season file."""
    overwrite: bool = False
    """Whether results may replace files that are not as slopekit wrote them."""
    look_again: Callable[[], None] = lambda: None
    """Raises InputError if an input but the elevation is not what it was, or something stands where results go."""


@dataclass(frozen=True)
class Prepared:
    order: Order
    lots: Lots
    surveys: tuple[TiledSurvey, ...]
    """The usable ones, from the finest and newest on."""
    tile_faults: tuple[str, ...]
    tile_notes: tuple[str, ...]
    """On tiles that are used in another way than they ask for."""
    choices: Choices
    work: Work
    common: Common
    index: Index

    @property
    def given(self) -> set[str]:
        """Names of the inputs that the user gave."""
        return {name for layers in self.common.layers.values() for name in layers.given}


def prepare(
    order: Order, kept: Path | None, workers: int, progress: Callable[[int, int], None] | None = None
) -> Prepared:
    """Read the tiles' headers, the parcels and the layers, and choose a survey for each parcel.

    kept: file in which the tile index stays between runs. progress: called with the headers read and all to read.
    Raises InputError where nothing can be answered at all.
    """
    lots = read_lots(order.parcels, order.id_column)
    index = index_of(order.elevation, kept, workers, progress)
    surveys = surveys_of(index, order.how)
    if not surveys.usable:
        raise InputError(
            f"None of the {len(index.entries)} elevation tiles can be used; the first: {surveys.faults[0]}"
        )
    choices = choose(lots, surveys.usable, surveys.faults, order.fleet)
    used = {c.survey.id: c.survey for c in choices.found.values()}
    layers = {id_: order.read_layers(survey.elevation.survey) for id_, survey in used.items()}
    _refuse_stray_entrances(choices, layers, order.fleet)
    jobs = {id_: _job(order, survey, layers[id_]) for id_, survey in used.items()}
    asked = (lots.crs, order.landforms, order.draws)
    return Prepared(
        order,
        lots,
        surveys.usable,
        surveys.faults,
        surveys.notes,
        choices,
        Work(jobs, lots.crs, order.limits, is_locked()),
        common_of(choices.found, order.fleet, layers, asked),
        index,
    )


def _refuse_stray_entrances(choices: Choices, layers: Mapping[str, Layers], fleet: Fleet) -> None:
    """Raise InputError where no survey has a parcel with an entrance, though entrances are given."""
    faults = []
    for id_, among in by_survey(choices.found.values()).items():
        try:
            metres = among[0].survey.elevation.survey.grid.metres_per_unit
            refuse_stray_entrances([c.parcel for c in among], layers[id_], fleet, metres)
        except InputError as error:
            faults.append(error)
    if faults and len(faults) == len(layers):
        raise faults[0]


def _job(order: Order, survey: TiledSurvey, layers: Layers) -> Job:
    """What `batch.screen_group` needs for the parcels of one survey: the one place where it is put together."""
    return Job(survey.elevation, order.fleet, layers, None, {}, order.draws, order.landforms)
