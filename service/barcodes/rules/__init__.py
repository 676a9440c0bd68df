"""A scanned or typed text as its elements. Pure."""
