"""Copies of the house: made, checked by restoring, thinned out."""
