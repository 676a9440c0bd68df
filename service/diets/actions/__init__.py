"""Setting diets."""
