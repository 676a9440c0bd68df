"""Fishhouse: the service that a fish kitchen runs on."""
