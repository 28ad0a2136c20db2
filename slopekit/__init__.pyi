from slopekit.api.demo import demo_data as demo_data
from slopekit.api.forms import Landforms as Landforms
from slopekit.api.forms import landforms as landforms
from slopekit.api.labour import Comparison as Comparison
from slopekit.api.labour import Hours as Hours
from slopekit.api.labour import compare as compare
from slopekit.api.labour import hours as hours
from slopekit.api.many import portfolio as portfolio
from slopekit.api.points import points as points
from slopekit.api.result import Result as Result
from slopekit.api.screening import screen as screen
from slopekit.api.spot import why as why
from slopekit.errors import InputError as InputError
from slopekit.errors import OutputError as OutputError
from slopekit.explain.why import Explanation as Explanation
from slopekit.fleet.load import load_fleet as load_fleet
from slopekit.fleet.model import Fleet as Fleet
from slopekit.labour.season import Season as Season
from slopekit.labour.season import load_season as load_season
from slopekit.portfolio.run import Outcome as Outcome
from slopekit.sources.held import Raster as Raster

__version__: str
