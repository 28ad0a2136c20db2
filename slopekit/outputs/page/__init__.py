"""One HTML file that shows zones, hazards and reasons in a browser without a network."""
