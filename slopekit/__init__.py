"""slopekit: from open elevation data and parcels, where which mowing machine may work and why not elsewhere."""

__version__ = "0.1.0"
