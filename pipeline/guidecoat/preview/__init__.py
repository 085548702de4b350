"""How the panel will look under light, and where it may be cut."""
