"""The panel laid flat, and the cells its points are averaged in."""
