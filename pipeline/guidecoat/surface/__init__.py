"""The fair surface and what it is held to."""
