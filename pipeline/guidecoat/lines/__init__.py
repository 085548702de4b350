"""Body lines and shoulders: found, traced and looked at from both sides."""
