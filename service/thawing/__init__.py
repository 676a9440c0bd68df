"""Thaw requests, pulls, thaw batches and their clocks."""
