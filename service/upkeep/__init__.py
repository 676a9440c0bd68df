"""Keeping probes true: offsets, calibration, comparison, doubts, and what is due."""
