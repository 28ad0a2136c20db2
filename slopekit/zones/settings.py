"""Settings of the zones. They stand in the fleet file, so the fleet, a lower layer, defines them."""

from slopekit.fleet.settings import ZoneSettings

__all__ = ["ZoneSettings"]
