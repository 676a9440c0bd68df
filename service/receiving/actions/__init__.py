"""Receiving what came, and keeping what is entered until it is complete."""
