"""Assessing, deciding, and the one-page record."""
