"""Measured speed, as commands."""
