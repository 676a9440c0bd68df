"""Taking, renewing, finishing background work."""
