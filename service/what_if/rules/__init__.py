"""Arithmetic of what would be otherwise."""
