"""Work: routes, passes, hours."""
