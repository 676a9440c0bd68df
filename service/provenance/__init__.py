"""Where fish comes from: corrections with their evidence, cartons that nobody can read."""
