"""Drawing the sheets."""
