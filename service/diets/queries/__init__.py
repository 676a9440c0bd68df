"""Every select of diets."""
