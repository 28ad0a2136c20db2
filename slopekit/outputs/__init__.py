"""The only writers: GeoPackage, GeoParquet, styles, rasters, the map and the report. A file appears whole or not."""
