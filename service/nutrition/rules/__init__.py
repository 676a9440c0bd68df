"""Arithmetic of a whole diet."""
