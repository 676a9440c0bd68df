"""Probes, readings, hourly rollups, excursions."""
