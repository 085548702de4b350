"""The map, the plan and full-size drawings; coloured meshes."""
