"""How far off the fair surface every cell and point lies."""
