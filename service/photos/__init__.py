"""Photos of what was seen: their files without what the camera knew, and who took them."""
