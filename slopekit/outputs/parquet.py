"""The result of a run as GeoParquet: the zones at the path itself, the other layers beside it."""

from pathlib import Path
from typing import Any

import pyarrow.parquet as pq

from slopekit.outputs.atomic import written
from slopekit.outputs.manifest import take_away
from slopekit.schema.layers import ALL_LAYERS


def write_parquet(path: str | Path, tables: dict[str, Any]) -> None:
    """Write tables that follow the registry: zones to `path`, each other layer to `<stem>.<layer>.parquet` beside it.
    Without zones the basins go to `path`.

    Layers with geometry become GeoParquet, the others plain Parquet. `path` appears last, when all else is in place.
    Raises OutputError when the folder cannot take the files.
    """
    places = parquet_paths(path, tables)
    with written(*places.values()) as temps:
        for temp, layer in zip(temps, places, strict=True):
            tables[layer].to_parquet(temp, index=False)
            # Decoding every column is what shows a file that was cut short.
            with pq.ParquetFile(temp) as file:
                found = file.read().num_rows
            if found != len(tables[layer]):
                raise OSError(f"of {len(tables[layer])} rows of {layer} only {found} read back")
        # Layers of an earlier result that this one has not would be taken for its own.
        take_away(older_parquet(path, tables))


def parquet_paths(path: str | Path, layers: Any) -> dict[str, Path]:
    """Where each layer goes, in the order in which they are put in place."""
    main, first = Path(path), "zones" if "zones" in layers else "basins"
    beside = {layer: main.with_name(f"{main.stem}.{layer}.parquet") for layer in layers if layer != first}
    return {**beside, first: main}


def older_parquet(path: str | Path, layers: Any) -> list[Path]:
    """Files that only a result with other layers has."""
    now = {*parquet_paths(path, layers).values()}
    return [place for place in parquet_paths(path, ALL_LAYERS).values() if place not in now]
