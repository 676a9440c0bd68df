"""Setting up animals and groups, weighing, stages of life, fasts."""
