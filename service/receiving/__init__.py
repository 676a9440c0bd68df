"""Deliveries: makes lots, posts what was received."""
