"""The company's machines and their limits: the fleet file, its template, and what it says in words."""
