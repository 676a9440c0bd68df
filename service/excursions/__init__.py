"""Times in which a place was too warm for too long, or silent."""
