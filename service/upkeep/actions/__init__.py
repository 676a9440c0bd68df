"""Correcting probes, and saying which want looking after."""
