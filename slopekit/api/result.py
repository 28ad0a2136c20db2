"""What a screening found, and what can be asked of it."""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from slopekit.api.given import Name, Seasons, units_of
from slopekit.api.guard import Guard
from slopekit.api.inputs import file_of, open_job
from slopekit.api.screened import Screened
from slopekit.api.spoken import speaks_python
from slopekit.api.tables import check_ending, put, sentences_of
from slopekit.errors import InputError
from slopekit.explain.why import Explanation
from slopekit.explain.why import why as explain
from slopekit.labour.hours import Goal
from slopekit.outputs import map as map_page
from slopekit.outputs.profile_plot import Example, draw_profiles
from slopekit.outputs.report import print_table, write_report
from slopekit.screening.inspection import survey_facts
from slopekit.screening.job_json import without_job
from slopekit.screening.parcel import raster_bands, screen_parcel
from slopekit.sources.elevation import Elevation, Survey
from slopekit.sources.layers import Layers
from slopekit.sources.parcels import Parcel
from slopekit.sources.relief import relief

if TYPE_CHECKING:
    import geopandas as gpd
    import xarray

    from slopekit.api.pricing import Hours

_RELIEF_CELLS = 2500
"""Of the longer side of what a map may show: more are no sharper on paper."""


@dataclass(frozen=True, eq=False, repr=False)
class Result(Screened):
    """The zones of some parcels. `repr` and `print` show areas by class, and every caution.

    What is asked later reads the elevation again, and raises InputError if it has changed since."""

    parcels: tuple[Parcel, ...]
    known: Layers
    survey: Survey
    """What is known of the elevation."""

    def __repr__(self) -> str:
        return "\n".join([print_table(self.layers), *self.cautions])

    @property
    def zones(self) -> "gpd.GeoDataFrame":
        """The layer `zones`: one row a zone, in CRS units, columns as `slopekit fields` lists them."""
        return self.layers["zones"]

    @speaks_python
    def rasters(self, parcel_id: str) -> "xarray.Dataset":
        """Slope, aspect, hazard and speed on the working cells of a parcel and a strip round it.

        Variables are those of the registry's layer `rasters`, dims (y, x), row 0 in the north, float32 with NaN for
        missing or uint8 with 0 for none; `units` and `long_name` among the attributes. Needs the extra `xarray`.
        Raises InputError for an id that no parcel has.

        >>> import slopekit as sk
        >>> data = sk.demo_data()
        >>> result = sk.screen(data / "office_park.tif", data / "parcels.gpkg", data / "fleet.toml",
        ...                    id_column="parcel_id", workers=1)
        >>> result.rasters("terrace").slope.units
        'degree'
        """
        from slopekit.api.arrays import dataset_of

        found = [one for one in self.parcels if one.id == parcel_id]
        if not found:
            listed = ", ".join(one.id for one in self.parcels[:10])
            raise InputError(f"There is no parcel '{parcel_id}', so give one of: {listed}.")
        with self._elevation() as elevation:
            answer = screen_parcel(elevation, found[0], self.fleet, self.known)
        return dataset_of(raster_bands(answer), answer.grid)

    @speaks_python
    def why(self, x: float, y: float, crs: str | None = None) -> Explanation:
        """Every rule at one spot, with its numbers: print it, or take `facts()`.

        x, y: east and north, or longitude and latitude, in `crs`, by default that of the zones. Raises InputError for a
        spot without heights and an unknown CRS.

        >>> import slopekit as sk
        >>> data = sk.demo_data()
        >>> result = sk.screen(data / "office_park.tif", data / "parcels.gpkg", data / "fleet.toml", workers=1)
        >>> spot = result.zones.geometry.iloc[0].representative_point()
        >>> result.why(spot.x, spot.y).spot.parcel
        '1'
        """
        with self._elevation() as elevation:
            return explain(elevation, x, y, self.fleet, self.known, crs, self.parcels)

    def hours(self, season: Seasons | None = None, goal: Goal = "hours", passes: bool = False) -> "Hours":
        """Hours, crews and money for these zones: see `slopekit.hours`."""
        from slopekit.api.pricing import hours

        return hours(self, season=season, goal=goal, passes=passes)

    @speaks_python
    def write(self, path: Name, overwrite: bool = False) -> list[Path]:
        """Write every layer: .gpkg, which QGIS opens styled, or .parquet, one file a layer. Returns the files.

        Nothing appears before all of it is written and read back. Raises InputError for another ending, and for a file
        that slopekit did not write or that was edited since, unless `overwrite`; OutputError for a place that cannot
        take it.
        """
        return put(Path(path), self.layers, self.fleet.conditions, self.read, overwrite)

    def phone(self, path: Name, overwrite: bool = False) -> Path:
        """Write for the phone, as .kmz or as .gpkg to draw corrections in: see `slopekit.phone`."""
        from slopekit.api.phone import phone

        return phone(self, path, overwrite)

    @speaks_python
    def map(
        self,
        path: Name,
        title: str | None = None,
        overwrite: bool = False,
        more: tuple[str, ...] = (),
        units: str = "metric",
    ) -> Path:
        """Draw the zones on shaded relief, one A4 page as .png, with the cautions at its foot, `more` before them.
        units: metric or us."""
        shown_in = units_of(units)
        out = self._picture(path, "map", overwrite)
        west, south, east, north = self.layers["parcels"].total_bounds
        # The page shows more than the parcels, on two of their sides.
        beside = 0.9 * max(east - west, north - south) + 20.0 * self.survey.grid.step_x
        with self._elevation() as elevation:
            shown = west - beside, south - beside, east + beside, north + beside
            ground = relief(elevation, shown, _RELIEF_CELLS)
        title = f"Zones by machine class: {self._name()}" if title is None else title
        said = sentences_of(self.layers, *more)
        map_page.draw_map(
            out, z=ground.z, grid=ground.grid, tables=self.layers, title=title, cautions=said, units=shown_in
        )
        return out

    @speaks_python
    def profiles(
        self,
        path: Name,
        title: str | None = None,
        overwrite: bool = False,
        more: tuple[str, ...] = (),
        examples: tuple[Example, ...] = (),
        units: str = "metric",
    ) -> Path:
        """Draw the easiest paths to hazards as profiles, as .png, with the cautions at its foot. units: metric or
        us."""
        shown_in = units_of(units)
        out = self._picture(path, "profiles", overwrite)
        draw_profiles(
            out,
            tables=self.layers,
            settings=self.fleet.runout,
            title=f"How a machine gets to hazards: {self._name()}" if title is None else title,
            cautions=sentences_of(self.layers, *more),
            examples=examples,
            units=shown_in,
        )
        return out

    @speaks_python
    def page(
        self,
        path: Name,
        *,
        hours: "Hours | Name | None" = None,
        units: str = "metric",
        title: str | None = None,
        overwrite: bool = False,
        more: tuple[str, ...] = (),
    ) -> list[Path]:
        """Write the zones as one .html for a browser without a network: see `slopekit.page`."""
        from slopekit.api.page import page

        return page(self, path, hours=hours, units=units, title=title, overwrite=overwrite, more=more)

    @speaks_python
    def report(self, path: Name, overwrite: bool = False) -> Path:
        """Write every table without its geometry, and the facts of the survey, as JSON."""
        Guard([Path(path)], (), overwrite, others=self.read)
        write_report(Path(path), {**self.layers, "run_notes": without_job(self.notes)}, survey_facts(self.survey))
        return Path(path)

    def sheets(
        self,
        path: Name,
        *,
        season: Seasons | None = None,
        paper: str = "a4",
        units: str = "metric",
        per_parcel: Name | None = None,
        overwrite: bool = False,
        more: tuple[str, ...] = (),
    ) -> list[Path]:
        """Write crew sheets to print, as .pdf: see `slopekit.sheets`."""
        from slopekit.api.sheets import sheets

        return sheets(
            self, path, season=season, paper=paper, units=units, per_parcel=per_parcel, overwrite=overwrite, more=more
        )

    def _elevation(self) -> Elevation:
        """Opened again. Raises InputError where it is not what was screened."""
        elevation = open_job(self.job)
        if elevation.survey.checksum != self.survey.checksum:
            elevation.close()
            raise InputError(f"{self.survey.names[0]}: the elevation has changed since, so screen the parcels again.")
        return elevation

    def _picture(self, path: Name, option: str, overwrite: bool) -> Path:
        out = Path(path)
        check_ending(out, (".png",), "this is drawn", option)
        Guard([out], (), overwrite, others=self.read)
        return out

    def _name(self) -> str:
        return Path(file_of(str(self.job.parcels))).stem
