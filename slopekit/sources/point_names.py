"""Which names are those of points, without loading what reads them."""

POINT_SUFFIXES = (".las", ".laz")


def is_points(name: str) -> bool:
    """Whether a name is that of a file of points."""
    return name.partition("?")[0].lower().endswith(POINT_SUFFIXES)
