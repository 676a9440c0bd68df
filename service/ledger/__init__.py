"""Parcels, movements, transfers, reservations, counts: the only writer of grams."""
