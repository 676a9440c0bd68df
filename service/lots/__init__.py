"""Lot and hold: what a lot is and whether it may be used."""
