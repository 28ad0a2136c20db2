"""Hours, crew and cost of a bid, from zones, the fleet file and the season file."""
