"""Watching places."""
