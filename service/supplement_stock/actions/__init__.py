"""What comes to supplement stock and goes from it; inside the caller's transaction."""
