"""Selects of lots with their stock, and the exposure of their parcels."""
