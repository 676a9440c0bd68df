"""Setting up probes, storing readings, watching places."""
