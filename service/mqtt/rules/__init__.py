"""How messages of a broker are read as readings."""
