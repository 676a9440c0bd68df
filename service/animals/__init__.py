"""Animals, their body mass and their diets."""
