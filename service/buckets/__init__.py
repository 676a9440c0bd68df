"""Buckets: portions for one animal or group at one feed, and what is in the fish."""
