"""What a user may tell of the ground, one row each. From the rows follow the options of the commands, the arguments of
the library, what is read, the forms in QGIS and the tables in the docs (`scripts/write_registry.py`)."""

from dataclasses import dataclass
from typing import Annotated, Generic, Literal, TypedDict, TypeVar

Geometry = Literal["polygon", "line", "any", "entrance", "drawn"]
"""polygon: polygons, and lines that become polygons by their width; any: polygons and lines; entrance: points and
lines; drawn: what `slopekit.sources.corrections` reads, which is no layer."""
Shape = Literal["point", "line", "polygon"]

SHAPES: dict[Geometry, tuple[Shape, ...]] = {
    "polygon": ("polygon", "line"),
    "line": ("line",),
    "any": ("polygon", "line"),
    "entrance": ("point", "line"),
    "drawn": (),
}
_SHAPE_WORDS: dict[Geometry, str] = {
    "polygon": "polygons, or lines",
    "line": "lines,",
    "any": "polygons or lines,",
    "entrance": "points, or lines along a frontage,",
    "drawn": "a file that slopekit corrections new starts",
}


@dataclass(frozen=True)
class Column:
    name: str
    unit: str
    """m, or - for a text."""
    meaning: str = ""
    """A clause that goes on from its name."""

    @property
    def words(self) -> str:
        unit = " in metres" if self.unit == "m" else ""
        return f"a column '{self.name}'{unit}{' ' if self.meaning else ''}{self.meaning}"


WIDTH = Column("width", "m")
HEIGHT = Column("height", "m", "where it is known")
KIND = Column("kind", "-", "that says which")
CELL = Column("cell", "m", "of the cells that the heights come from")

Effect = Literal["refuses", "leaves out", "frees", "both"]
"""What it can do: refuse more; take ground out that is then not judged; refuse less; both more and less."""


@dataclass(frozen=True)
class Input:
    """One thing that a user may tell; its name is that of its key."""

    label: str
    """Its name in a form."""
    geometry: Geometry
    what: str
    """What it stands for, without a full stop."""
    effect: Effect
    columns: tuple[Column, ...] = ()
    """Columns that are read; any other is left alone."""
    page: str = ""
    """The page in docs/ that tells more."""

    @property
    def help(self) -> str:
        """What it is and how it is drawn, as one sentence."""
        held = " and ".join(column.words for column in self.columns)
        return f"{self.what}: {_SHAPE_WORDS[self.geometry]}{' with ' if held else ''}{held}."

    @property
    def text_column(self) -> str | None:
        """The column whose text is kept."""
        return next((column.name for column in self.columns if column.unit == "-"), None)


T = TypeVar("T")


class KnownGround(TypedDict, Generic[T], total=False):
    """The rows, each beside its name. T: what stands for one that is given."""

    water: Annotated[T, Input("Water", "polygon", "Ponds, streams and ditches", "refuses", (WIDTH,))]
    walls: Annotated[
        T,
        Input(
            "Walls and edges", "line",
            "Walls and edges, which are often too low or too thin for the elevation to show", "refuses", (HEIGHT,),
        ),
    ]  # fmt: skip
    hazards: Annotated[
        T,
        Input(
            "Roads, railways, paths", "any", "Roads, railways, paths with people on them", "refuses",
            (KIND, Column("width", "m", "where a line is that wide")),
        ),
    ]  # fmt: skip
    dry: Annotated[
        T, Input("Basins known to be dry", "polygon", "Basins known to be dry, which hold no water", "frees", (WIDTH,))
    ]
    exclude: Annotated[
        T,
        Input(
            "Not mown", "polygon", "Ground that is not mown (buildings, pavement, beds)", "leaves out", (WIDTH,)
        ),
    ]  # fmt: skip
    soft: Annotated[T, Input("Soft ground", "polygon", "Soft ground", "refuses", (WIDTH,))]
    canopy: Annotated[
        T,
        Input(
            "Low tree cover", "polygon", "Low tree cover, under which a roll bar would have to be folded", "refuses",
            (WIDTH,),
        ),
    ]  # fmt: skip
    coarse: Annotated[
        T,
        Input(
            "Ground from coarser cells", "polygon",
            "Ground whose heights come from cells coarser than 5 m, such as filled voids", "refuses", (WIDTH, CELL),
            "tiles.md",
        ),
    ]  # fmt: skip
    entrances: Annotated[
        T,
        Input(
            "Entrances", "entrance", "Where machines come in", "refuses",
            (Column("width", "m", "for the clear width of a gate"),), "routes.md",
        ),
    ]  # fmt: skip
    drives: Annotated[
        T,
        Input(
            "Drives", "polygon", "Pavement and paths that machines may drive over on their route, though excluded",
            "frees", (WIDTH,), "routes.md",
        ),
    ]  # fmt: skip
    corrections: Annotated[
        T,
        Input(
            "Corrections from the site", "drawn", "What people on site drew", "both", (), "corrections.md",
        ),
    ]  # fmt: skip


@dataclass(frozen=True)
class ForEachLayer(Generic[T]):
    """One T for each layer above, or None where it was not given."""

    water: T | None = None
    walls: T | None = None
    hazards: T | None = None
    dry: T | None = None
    exclude: T | None = None
    soft: T | None = None
    canopy: T | None = None
    coarse: T | None = None
    entrances: T | None = None
    drives: T | None = None


INPUTS: dict[str, Input] = {name: given.__metadata__[0] for name, given in KnownGround.__annotations__.items()}
LAYER_INPUTS: dict[str, Input] = {name: row for name, row in INPUTS.items() if row.geometry != "drawn"}
"""Those that are layers."""
