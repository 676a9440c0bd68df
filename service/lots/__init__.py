"""Lot, hold, assay: what a lot is and whether it may be used."""
